-- The nodes up to one that give a role, a press fraction or a fermentation. Grain: a node.
-- Parameters: $node. Columns: node, role, fraction, ferment.
select node, role, fraction, ferment
from node
where node <= $node
  and (role is not null or fraction is not null or ferment is not null)
order by node

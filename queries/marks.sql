-- The nodes up to one that give a role, a press fraction or a fermentation. Grain: a node.
-- Parameters: $node. Columns: node, role, fraction, ferment, begins (whether that begins in it).
select
    node.node,
    node.role,
    node.fraction,
    node.ferment,
    coalesce(ferment.position = node.position, false) as begins
from node
left join ferment on node.ferment = ferment.ferment
where node.node <= $node
  and (node.role is not null or node.fraction is not null or node.ferment is not null)
order by node.node

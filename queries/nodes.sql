-- The genealogy's labels up to a node. Grain: a node. Parameters: $node.
-- Columns: node, position, lot, vessel, role, fraction, ferment.
select node, position, lot, vessel, role, fraction, ferment
from node
where node <= $node
order by node

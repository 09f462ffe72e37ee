-- The crushes and presses up to a node. Grain: a node. Parameters: $node.
-- Columns: node, mass (10^-12 kg, of fruit, else 0), volume (10^-12 L, what came out).
select node, mass, volume
from node
where node <= $node
  and volume > 0
order by node

-- The crushes and presses of fruit up to a node. Grain: a node. Parameters: $node.
-- Columns: node, mass (10^-12 kg), volume (10^-12 L).
select node, mass, volume
from node
where node <= $node
  and mass > 0
  and volume > 0
order by node

-- The genealogy up to a node. Grain: an edge. Parameters: $node. Columns: node, parent, amount (10^-12).
select node, parent, amount
from edge
where node <= $node
order by node

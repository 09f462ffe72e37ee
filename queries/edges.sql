-- The genealogy up to a node. Grain: an edge. Parameters: $node. Columns: node, parent, amount (10^-12,
-- as text: whole numbers of this size are read sooner so).
select node, parent, amount::varchar as amount
from edge
where node <= $node
order by node

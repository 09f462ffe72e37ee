-- The events behind nodes. Grain: a node. Parameters: $node, one a line. Columns: node, position.
select node, position
from node
where node in (select unnest(string_split($node, chr(10)))::bigint)
order by node

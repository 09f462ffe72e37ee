-- The nodes that events made. Grain: a node. Parameters: $position, one a line.
-- Columns: node, position, lot, vessel.
select node, position, lot, vessel
from node
where position in (select unnest(string_split($position, chr(10)))::bigint)
order by node

-- Events by position. Grain: an event. Parameters: $position, one a line. Columns: position, body (JSON).
select position, body
from event
where position in (select unnest(string_split($position, chr(10)))::bigint)
order by position

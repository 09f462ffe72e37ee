-- Events that happened at given instants. Grain: an event. Parameters: $instant, one a line (us UTC).
-- Columns: position, body (JSON).
select position, body
from event
where instant in (select unnest(string_split($instant, chr(10)))::bigint)
order by position

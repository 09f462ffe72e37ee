-- What the events up to a position say. Grain: one row an event, by position. Parameters: $upto.
-- Columns: position, instant (us UTC), body (canonical JSON).
select position, instant, body
from event
where position <= $upto
order by position

-- When the events up to a position happened, as recorded. Grain: an event. Parameters: $upto.
-- Columns: position, instant (us UTC).
select position, instant
from event
where position <= $upto

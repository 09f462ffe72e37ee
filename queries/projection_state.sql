-- The projection's own state. Grain: one row, none before the first projection.
-- Columns: position, last_instant (us UTC), last_position, body (JSON).
select position, last_instant, last_position, body
from projected

-- Recorded events by position.
-- Grain: one row an event, by position. Parameters: $first, $last (positions, both included).
-- Columns: position, recorded_at (UTC), leaf_hash, salt (hex), instant (us UTC), body (canonical JSON).
select
    position,
    recorded_at,
    leaf_hash,
    salt,
    instant,
    body
from event
where position between $first and $last
order by position

-- Recorded events by position.
-- Grain: one row an event, by position. Parameters: $first, $last (positions, both included).
-- Columns: instant in UTC microseconds since 1970; hashes and salts hex; body canonical JSON.
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

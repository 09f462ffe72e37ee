-- The last seal at or before a position, and recorded at or before an instant.
-- Grain: at most one row. Parameters: $position; $recorded_by, UTC text as in recorded_at.
-- Columns: position, root (hex).
select
    position,
    root
from seal
where
    position <= $position
    and recorded_at <= $recorded_by
order by position desc
limit 1

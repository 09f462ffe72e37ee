-- All seals.
-- Grain: one row a load, by position. Parameters: none.
-- Columns: position, recorded_at (UTC), root, peaks (hex, a comma between), journal_bytes (bytes).
select
    position,
    recorded_at,
    root,
    peaks,
    journal_bytes
from seal
order by position

-- All seals.
-- Grain: one row a load, by position. Parameters: none.
-- Columns: root and peaks hex (peaks with a comma between); journal_bytes in bytes.
select
    position,
    recorded_at,
    root,
    peaks,
    journal_bytes
from seal
order by position

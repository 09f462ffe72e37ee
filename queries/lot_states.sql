-- The states of lots by name. Grain: a lot. Parameters: $lot, a name a line.
-- Columns: lot, body (JSON).
select lot, body
from lot_state
where lot in (select unnest(string_split($lot, chr(10))))

-- What vessels hold. Grain: a vessel. Parameters: $vessel, a name a line. Columns: vessel, lot.
select vessel, lot
from vessel_state
where vessel in (select unnest(string_split($vessel, chr(10))))

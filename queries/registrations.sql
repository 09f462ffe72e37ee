-- The registrations of names. Grain: a registration. Parameters: $name, a name a line.
-- Columns: kind, name, instant (us UTC), position, fields (JSON).
select kind, name, instant, position, fields
from register
where name in (select unnest(string_split($name, chr(10))))

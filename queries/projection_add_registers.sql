-- Adds registrations. Grain: a registration. Given: an array a column; instants in microseconds
-- (UTC), fields as JSON.
insert into register (kind, name, instant, position, fields)
select
    given.kind,
    given.name,
    given.instant::hugeint as instant,
    given.position,
    given.fields
from given

-- All registrations of places, blocks, premises, parties and labels. Grain: a registration.
-- Columns: kind, name, instant (us UTC), position, fields (JSON).
select kind, name, instant, position, fields
from register
where kind in ('place', 'block', 'premises', 'party', 'label')

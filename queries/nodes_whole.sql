-- The nodes below one, whole. Grain: a node, by number. Parameters: $first.
-- Columns: position, lot, vessel, role, fraction, ferment, mass, volume (10^-12 kg and L as text, null
-- for none: whole numbers of this size are read sooner as text).
select
    position,
    lot,
    vessel,
    role,
    fraction,
    ferment,
    nullif(mass, 0)::varchar as mass,
    nullif(volume, 0)::varchar as volume
from node
where node < $first
order by node

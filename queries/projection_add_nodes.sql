-- Adds nodes. Grain: a node. Given: an array a column; amounts of 10^-12 kg and L.
insert into node (node, position, lot, vessel, role, fraction, ferment, mass, volume)
select
    given.node,
    given.position,
    given.lot,
    given.vessel,
    given.role,
    given.fraction,
    given.ferment::bigint as ferment,
    given.mass::hugeint as mass,
    given.volume::hugeint as volume
from given

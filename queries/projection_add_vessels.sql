-- Adds what vessels hold. Grain: a vessel. Given: an array a column.
insert into vessel_state (vessel, lot)
select
    given.vessel,
    given.lot
from given

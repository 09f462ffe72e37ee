-- Adds stretches of fermentation. Grain: a stretch. Given: an array a column; organism and regime
-- as JSON.
insert into ferment (ferment, position, lot, vessel, organism, regime)
select
    given.ferment,
    given.position,
    given.lot,
    given.vessel,
    given.organism,
    given.regime
from given

-- Stretches of fermentation. Grain: a stretch. Parameters: $first, the lowest number wanted.
-- Columns: ferment, position, lot, vessel, organism, regime (JSON).
select ferment, position, lot, vessel, organism, regime
from ferment
where ferment >= $first
order by ferment

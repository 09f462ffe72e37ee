-- The names of all lots that ever were. Grain: a lot. Columns: lot.
select lot
from lot_state
order by lot

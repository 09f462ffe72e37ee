-- The states of the lots that hold something. Grain: a lot. Columns: lot, body (JSON).
select lot, body
from lot_state
where held
order by lot

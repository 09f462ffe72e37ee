-- The states of the lots that hold something. Grain: a lot. Parameters: $sort, or '' for all.
-- Columns: lot, body (JSON).
select lot, body
from lot_state
where held
  and ($sort = '' or sort = $sort)
order by lot

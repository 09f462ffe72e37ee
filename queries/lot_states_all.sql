-- The states of all lots. Grain: a lot. No parameters. Columns: lot, body (JSON).
select lot, body
from lot_state

-- The vessels that hold something. Grain: a vessel. Columns: vessel.
select vessel
from vessel_state
order by vessel

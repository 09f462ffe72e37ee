-- Empties the projection's table vessel_state, to be rebuilt. No parameters, no columns.
delete from vessel_state

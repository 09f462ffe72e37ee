-- Empties the projection's table lot_state, to be rebuilt. No parameters, no columns.
delete from lot_state

-- Empties the projection's table ferment, to be rebuilt. No parameters, no columns.
delete from ferment

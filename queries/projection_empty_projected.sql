-- Empties the projection's table projected, to be rebuilt. No parameters, no columns.
delete from projected

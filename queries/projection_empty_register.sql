-- Empties the projection's table register, to be rebuilt. No parameters, no columns.
delete from register

-- Empties the projection's table edge, to be rebuilt. No parameters, no columns.
delete from edge

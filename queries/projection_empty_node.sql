-- Empties the projection's table node, to be rebuilt. No parameters, no columns.
delete from node

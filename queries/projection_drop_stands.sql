-- Drops stands that are about to be written anew. Parameters: $first, the number of the first.
delete from stand
where span >= $first

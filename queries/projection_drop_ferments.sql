-- Drops stretches of fermentation that are about to be written anew. Parameters: $first, the
-- number of the first.
delete from ferment
where ferment >= $first

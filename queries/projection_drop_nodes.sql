-- Drops nodes that are about to be written anew. Parameters: $first, the number of the first.
delete from node
where node >= $first

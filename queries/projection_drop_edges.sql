-- Drops edges that are about to be written anew. Parameters: $first, the number of the first node.
delete from edge
where node >= $first

-- Drops what lots were in spans that are about to be told anew. Parameters: $first, the number of the
-- first.
delete from lot_before
where span >= $first

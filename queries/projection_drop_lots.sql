-- Drops the states of lots that are about to be written anew. Parameters: $lot, a name a line.
delete from lot_state
where lot in (select unnest(string_split($lot, chr(10))))

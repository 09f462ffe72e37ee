-- Drops what is about to be written anew. Parameters: $vessel, a name a line.
delete from vessel_state
where vessel in (select unnest(string_split($vessel, chr(10))))

-- Adds what vessels hold. Parameters: one text a column, a line a row.
insert into vessel_state (vessel, lot)
select
    unnest(string_split($vessel, chr(10))) as vessel,
    unnest(string_split($lot, chr(10))) as lot

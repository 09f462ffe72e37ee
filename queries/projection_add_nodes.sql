-- Adds nodes. Parameters: one text a column, a line a row; chr(31) is null.
insert into node (node, position, lot, vessel, role, fraction, ferment, mass, volume)
select
    unnest(string_split($node, chr(10)))::bigint as node,
    unnest(string_split($position, chr(10)))::bigint as position,
    nullif(unnest(string_split($lot, chr(10))), chr(31)) as lot,
    nullif(unnest(string_split($vessel, chr(10))), chr(31)) as vessel,
    nullif(unnest(string_split($role, chr(10))), chr(31)) as role,
    nullif(unnest(string_split($fraction, chr(10))), chr(31)) as fraction,
    nullif(unnest(string_split($ferment, chr(10))), chr(31))::bigint as ferment,
    unnest(string_split($mass, chr(10)))::hugeint as mass,
    unnest(string_split($volume, chr(10)))::hugeint as volume

-- Adds registrations. Parameters: one text a column, a line a row.
insert into register (kind, name, instant, position, fields)
select
    unnest(string_split($kind, chr(10))) as kind,
    unnest(string_split($name, chr(10))) as name,
    unnest(string_split($instant, chr(10)))::hugeint as instant,
    unnest(string_split($position, chr(10)))::bigint as position,
    unnest(string_split($fields, chr(10))) as fields

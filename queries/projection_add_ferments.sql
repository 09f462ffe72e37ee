-- Adds stretches of fermentation. Parameters: one text a column, a line a row; chr(31) is null.
insert into ferment (ferment, position, lot, vessel, organism, regime)
select
    unnest(string_split($ferment, chr(10)))::bigint as ferment,
    unnest(string_split($position, chr(10)))::bigint as position,
    unnest(string_split($lot, chr(10))) as lot,
    nullif(unnest(string_split($vessel, chr(10))), chr(31)) as vessel,
    nullif(unnest(string_split($organism, chr(10))), chr(31)) as organism,
    nullif(unnest(string_split($regime, chr(10))), chr(31)) as regime

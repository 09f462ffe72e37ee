-- Adds the states of lots. Parameters: one text a column, a line a row.
insert into lot_state (lot, held, sort, body)
select
    unnest(string_split($lot, chr(10))) as lot,
    unnest(string_split($held, chr(10)))::boolean as held,
    unnest(string_split($sort, chr(10))) as sort,
    unnest(string_split($body, chr(10))) as body

-- Adds edges. Parameters: one text a column, a line a row.
insert into edge (node, parent, amount)
select
    unnest(string_split($node, chr(10)))::bigint as node,
    unnest(string_split($parent, chr(10)))::bigint as parent,
    unnest(string_split($amount, chr(10)))::hugeint as amount

-- How many nodes and stretches of fermentation there are. Grain: one row.
-- Columns: nodes, ferments.
select
    (select count(*) from node) as nodes,
    (select count(*) from ferment) as ferments

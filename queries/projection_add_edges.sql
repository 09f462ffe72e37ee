-- Adds edges. Grain: an edge. Given: an array a column; amounts of 10^-12 kg or L.
insert into edge (node, parent, amount)
select
    given.node,
    given.parent,
    given.amount::hugeint as amount
from given

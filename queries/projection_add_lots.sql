-- Adds the states of lots. Grain: a lot. Given: an array a column; body as JSON.
insert into lot_state (lot, held, sort, body)
select
    given.lot,
    given.held,
    given.sort,
    given.body
from given

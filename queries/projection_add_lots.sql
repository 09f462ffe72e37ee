-- Adds the states of lots. Grain: a lot. Given: an array a column; body as JSON.
insert into lot_state (lot, held, sort, span, body)
select
    given.lot,
    given.held,
    given.sort,
    given.span,
    given.body
from given

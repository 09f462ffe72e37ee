-- Adds what lots were at the end of spans. Grain: a lot and a span. Given: an array a column; body as
-- JSON.
insert into lot_before (lot, span, body)
select
    given.lot,
    given.span,
    given.body
from given

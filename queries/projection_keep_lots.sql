-- Keeps lots as they are, as what they were before a span. Grain: a lot. Parameters: $lot, a name a
-- line; $span.
insert into lot_before (lot, span, body)
select lot, span, body
from lot_state
where lot in (select unnest(string_split($lot, chr(10))))
  and span < $span

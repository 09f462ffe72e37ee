-- Events that name a mark on glass or case. Grain: an event. Parameters: $code, as JSON text.
-- Columns: body (JSON).
select body
from event
where kind in ('bottle', 'pack', 'ship', 'receive', 'correct')
  and contains(body, '"code":' || $code)
order by position

-- Events that name a mark on glass or case. Grain: an event. Parameters: $code, as JSON text.
-- Columns: position, corrects (the id that a correction corrects, else null).
select
    position,
    json_extract_string(body, '$.corrects') as corrects
from event
where kind in ('bottle', 'pack', 'ship', 'receive', 'correct')
  and contains(body, '"code":' || $code)
order by position

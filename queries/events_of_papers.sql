-- Fruit and wine that came in or left on given papers. Grain: an event. Parameters: $paper, one a line.
-- Columns: position, id, kind, body (JSON).
select position, id, kind, body
from event
where kind in ('pick', 'receive', 'ship')
  and (
    json_extract_string(body, '$.ref') in (select unnest(string_split($paper, chr(10))))
    or json_extract_string(body, '$.document') in (select unnest(string_split($paper, chr(10))))
  )
order by position

-- The picks of blocks, as recorded. Grain: an event. Parameters: $block, a name a line; $upto, a
-- position. Columns: body (JSON).
select body
from event
where kind = 'pick'
  and position <= $upto
  and json_extract_string(body, '$.block') in (select unnest(string_split($block, chr(10))))
order by position

-- What was read and analysed in these lots, with the alcoholic and malolactic fermentations.
-- Grain: one row an event, by position. Parameters: $lots, each name as JSON text with its quotes,
-- one a line; $upto, a position; $until, an instant (us UTC).
-- Columns: position, instant (us UTC), body (JSON).
select
    position,
    instant,
    body
from event
where kind in ('reading', 'analysis', 'ferment')
  and position <= $upto
  and instant <= $until
  and regexp_extract(body, '"lot":("(?:[^"\\]|\\.)*")', 1)
      in (select unnest(string_split($lots, chr(10))))
order by position

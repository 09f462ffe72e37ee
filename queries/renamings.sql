-- What gave lots another name: registrations of lots that say of which lots they are.
-- Grain: one row an event, in order of time. Parameters: $upto, a position; $until, an instant (us UTC).
-- Columns: position, instant (us UTC), body (JSON).
select
    position,
    instant,
    body
from event
where kind = 'lot'
  and position <= $upto
  and instant <= $until
  and json_exists(body, '$.of')
order by instant, position

-- All corrections. Grain: a `correct` event. Columns: position, body (JSON).
select position, body
from event
where kind = 'correct'
order by position

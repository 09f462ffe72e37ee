-- What was said of lots, without moving them, after an instant, and what corrects something.
-- Grain: an event. Parameters: $instant (us UTC). Columns: body (JSON).
select body
from event
where
    (kind in ('note', 'analysis', 'release') and instant > $instant)
    or kind = 'correct'
order by position

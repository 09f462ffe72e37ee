-- The log, filtered. Grain: an event. Parameters: $upto, a position; $since and $until (us UTC);
-- $kind and $text ('' is any); $text is looked for in the body.
-- Columns: position, recorded_at, leaf_hash, instant (us UTC), body (JSON).
select position, recorded_at, leaf_hash, instant, body
from event
where position <= $upto
  and instant between $since and $until
  and ($kind = '' or kind = $kind or kind = 'correct')
  and ($text = '' or contains(body, $text))
order by position

-- Events that name one of some lots anywhere, and every correction and every cleared hold.
-- Grain: one row an event, by position. Parameters: $pattern, a regular expression that finds the names
-- in an event's JSON (one of all names: it takes as long for one as for thousands); $upto, a position;
-- $until, an instant (us UTC).
-- Columns: position, recorded_at, leaf_hash, instant (us UTC), body (JSON).
select position, recorded_at, leaf_hash, instant, body
from event
where position <= $upto
  and (
      kind in ('correct', 'clear')
      or (instant <= $until and regexp_matches(body, $pattern))
  )
order by position

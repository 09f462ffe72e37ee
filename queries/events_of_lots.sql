-- Events that name one of these lots anywhere, and every correction and every cleared hold.
-- Grain: one row an event, by position. Parameters: $lots, each name as JSON text with its quotes,
-- one a line; $upto, a position; $until, an instant (us UTC).
-- Columns: position, recorded_at, leaf_hash, instant (us UTC), body (JSON).
with asked as (
    select list('"lot":' || name) || list('"name":' || name) as texts
    from (select unnest(string_split($lots, chr(10))) as name)
),

named as (
    select
        event.position,
        event.recorded_at,
        event.leaf_hash,
        event.instant,
        event.kind,
        event.body,
        regexp_extract_all(event.body, '"(?:lot|name)":"(?:[^"\\]|\\.)*"') as texts
    from event
    where event.position <= $upto
)

select
    named.position,
    named.recorded_at,
    named.leaf_hash,
    named.instant,
    named.body
from named
cross join asked
where named.kind in ('correct', 'clear')
   or (named.instant <= $until and list_has_any(named.texts, asked.texts))
order by named.position

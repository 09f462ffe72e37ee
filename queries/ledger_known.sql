-- Recorded events among given ids.
-- Grain: one row an event, by position. Parameters: $ids, one id a line, in small letters.
-- Columns: id (in small letters), position, recorded_at, leaf_hash, salt, instant, body (all as in
-- ledger_records).
with asked as (
    select distinct unnest(string_split($ids, chr(10))) as id
)

select
    lower(event.id) as id,
    event.position,
    event.recorded_at,
    event.leaf_hash,
    event.salt,
    event.instant,
    event.body
from asked
inner join event on asked.id = lower(event.id)
order by event.position

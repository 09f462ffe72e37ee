-- Adds events. Two texts carry all rows: binding lists of many strings one by one takes seconds.
-- Grain: one row an event. Parameters: $facts, a line an event: position, recorded_at, leaf hash,
-- salt, instant (microseconds), a space between; $bodies, a line an event: canonical JSON, which
-- has no line breaks.
insert into event (
    position, recorded_at, leaf_hash, salt, id, kind, name, instant, body
)
with lines as (
    select
        unnest(string_split($facts, chr(10))) as facts,
        unnest(string_split($bodies, chr(10))) as body
),

parts as (
    select
        string_split(facts, ' ') as fact,
        json_extract_string(body, ['$.id', '$.kind', '$.name']) as lifted,
        body
    from lines
)

select
    fact[1]::integer as position,
    fact[2] as recorded_at,
    fact[3] as leaf_hash,
    fact[4] as salt,
    lifted[1] as id,
    lifted[2] as kind,
    lifted[3] as name,
    fact[5]::bigint as instant,
    body
from parts

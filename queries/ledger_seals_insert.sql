-- Adds the seals of loads.
-- Grain: one row a load. Parameters: $seals, a line a seal: position, recorded_at, root, peaks
-- (comma between), journal_bytes, a space between.
insert into seal (
    position, recorded_at, root, peaks, journal_bytes
)
with parts as (
    select string_split(unnest(string_split($seals, chr(10))), ' ') as fact
)

select
    fact[1]::integer as position,
    fact[2] as recorded_at,
    fact[3] as root,
    fact[4] as peaks,
    fact[5]::bigint as journal_bytes
from parts

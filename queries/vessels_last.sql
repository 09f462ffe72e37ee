-- What reached vessels by name, and when. Grain: a vessel and a kind of event.
-- Parameters: $vessels and $lots, a name a line and as many of each: the vessels asked about and the
-- lot that each holds ('' for none); $upto, a position; $until, an instant (us UTC); $mended, the
-- ids of corrected events in small letters, one a line: they read otherwise now, and are left out.
-- Columns: vessel, kind, first, last (instants, us UTC), entered (us UTC: the first event that names
-- the vessel and its lot, after the last that names the vessel without it; null where none does.
-- Toppings, most of a log, are not looked at for it: they fill what is filled already).
with asked as (
    select
        unnest(string_split($vessels, chr(10))) as vessel,
        unnest(string_split($lots, chr(10))) as lot
),

said as (
    select position, kind, instant, body
    from event
    where position <= $upto
      and instant <= $until
      and kind not in ('correct', 'vessel')
      and lower(id) not in (select unnest(string_split($mended, chr(10))))
),

-- The same barrels are topped together month after month: their lists are taken apart once.
toppings as (
    select json_extract(body, '$.to') as ends, min(instant) as first, max(instant) as last
    from said
    where kind = 'top'
    group by ends
    union all
    select json_extract(body, '$.from') as ends, min(instant) as first, max(instant) as last
    from said
    where kind = 'top'
    group by ends
),

topped as (
    select
        first,
        last,
        unnest(
            list_concat(
                json_extract_string(ends, '$..vessel'), json_extract_string(ends, '$..vessels[*]')
            )
        ) as vessel
    from toppings
),

reached as (
    select
        position,
        kind,
        instant,
        unnest(
            list_concat(
                json_extract_string(body, '$..vessel'), json_extract_string(body, '$..vessels[*]')
            )
        ) as vessel
    from said
    where kind <> 'top'
      and body like '%"vessel%'
),

hit as materialized (
    select asked.vessel, asked.lot, reached.position, reached.kind, reached.instant
    from reached
    inner join asked on reached.vessel = asked.vessel
),

told as materialized (
    select
        hit.vessel,
        hit.kind,
        hit.instant,
        contains(event.body, '"lot":' || to_json(hit.lot))
        or (hit.kind = 'lot' and event.name = hit.lot) as names_it
    from hit
    inner join event on hit.position = event.position
),

others as (
    select vessel, max(instant) filter (where not names_it) as until
    from told
    group by vessel
),

entries as (
    select told.vessel, min(told.instant) as entered
    from told
    inner join others on told.vessel = others.vessel
    where told.names_it
      and (others.until is null or told.instant > others.until)
    group by told.vessel
),

everything as (
    select vessel, kind, instant as first, instant as last
    from told
    union all
    select topped.vessel, 'top' as kind, topped.first, topped.last
    from topped
    inner join asked on topped.vessel = asked.vessel
)

select
    everything.vessel,
    everything.kind,
    min(everything.first) as first,
    max(everything.last) as last,
    any_value(entries.entered) as entered
from everything
left join entries on everything.vessel = entries.vessel
group by everything.vessel, everything.kind
order by everything.vessel, everything.kind

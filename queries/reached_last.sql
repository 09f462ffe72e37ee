-- What reached vessels by name, and lots without naming a vessel, and when. Grain: a vessel or a
-- lot, and a kind of event.
-- Parameters: $vessels, those asked about, and $lots, all that lie in them, a name a line; $upto, a
-- position; $until, an instant (us UTC); $mended, the ids of corrected events in small letters, one
-- a line: they read otherwise now, and are left out; $instead, what stands in their place, a JSON
-- object a line: instant (us UTC), event.
-- Columns: vessel (null of a lot), lot (null of a vessel), kind, first, last (instants, us UTC).
with asked as (
    select unnest(string_split($vessels, chr(10))) as vessel
),

replaced as (
    select nullif(unnest(string_split($instead, chr(10))), '') as line
),

standing as (
    select kind, instant, body
    from event
    where kind not in ('correct', 'vessel')
      and position <= $upto
      and lower(id) not in (select unnest(string_split($mended, chr(10))))
    union all
    select
        json_extract_string(line, '$.event.kind') as kind,
        cast(json_extract_string(line, '$.instant') as bigint) as instant,
        cast(json_extract(line, '$.event') as varchar) as body
    from replaced
    where json_extract_string(line, '$.event.kind') <> 'vessel'
),

-- The same barrels are topped together month after month: their lists are taken apart once.
toppings as materialized (
    select
        json_extract(body, ['$.from', '$.to']) as ends,
        min(instant) as first,
        max(instant) as last
    from standing
    where kind = 'top'
      and instant <= $until
    group by ends
),

others as materialized (
    select kind, instant, body, body like '%"vessel%' as names_vessel
    from standing
    where kind not in ('top', 'pick')
      and instant <= $until
    union all
    select kind, instant, body, true as names_vessel
    from standing
    where kind = 'pick'
      and body like '%"vessel%'
      and instant <= $until
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
    from (select first, last, unnest(ends) as ends from toppings) as apart
),

reached as (
    select
        kind,
        instant,
        unnest(
            list_concat(
                json_extract_string(body, '$..vessel'), json_extract_string(body, '$..vessels[*]')
            )
        ) as vessel
    from others
    where names_vessel
),

hit as (
    select asked.vessel, reached.kind, reached.instant
    from reached
    inner join asked on reached.vessel = asked.vessel
),

in_vessels as (
    select vessel, kind, instant as first, instant as last
    from hit
    union all
    select topped.vessel, 'top' as kind, topped.first, topped.last
    from topped
    inner join asked on topped.vessel = asked.vessel
),

sources as (
    select 'top' as kind, last, ends[1] as source
    from toppings
    union all
    select kind, instant as last, json_extract(body, '$.from') as source
    from others
    where kind in ('crush', 'press', 'rack', 'barrel_down', 'blend', 'bottle', 'ship')
),

apart as (
    select
        kind,
        last,
        unnest(case when source like '[%' then json_extract(source, '$[*]') else [source] end) as one
    from sources
),

bare as (
    select kind, last, json_extract_string(one, '$.lot') as lot
    from apart
    where one not like '%"vessel%'
    union all
    select kind, instant as last, json_extract_string(body, '$.lot') as lot
    from others
    where kind in ('ferment', 'reading', 'analysis', 'treat', 'gauge', 'loss', 'hold', 'note')
      and not names_vessel
)

select
    in_vessels.vessel,
    null as lot,
    in_vessels.kind,
    min(in_vessels.first) as first,
    max(in_vessels.last) as last
from in_vessels
group by in_vessels.vessel, in_vessels.kind
union all
select null as vessel, lot, kind, max(last) as first, max(last) as last
from bare
where lot in (select unnest(string_split($lots, chr(10))))
group by lot, kind
order by vessel, lot, kind

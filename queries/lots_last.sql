-- What reached lots without naming a vessel. Grain: a lot and a kind of event.
-- Parameters: $lots, a name a line; $upto, a position; $until, an instant (us UTC); $mended as in
-- vessels_last.
-- Columns: lot, kind, last (us UTC).
with said as (
    select
        kind,
        instant,
        body,
        json_extract(body, '$.from') as source
    from event
    where position <= $upto
      and instant <= $until
      and lower(id) not in (select unnest(string_split($mended, chr(10))))
      and kind in (
          'ferment', 'reading', 'analysis', 'treat', 'gauge', 'loss', 'hold', 'note',
          'crush', 'press', 'rack', 'barrel_down', 'top', 'blend', 'bottle', 'ship'
      )
),

bare as (
    select kind, instant, [json_extract_string(body, '$.lot')] as lots
    from said
    where source is null
      and body not like '%"vessel%'
    union all
    select
        kind,
        instant,
        list_transform(
            list_filter(
                case
                    when source like '[%' then json_extract(source, '$[*]')
                    else [source]
                end,
                lambda one: one not like '%"vessel%'
            ),
            lambda one: json_extract_string(one, '$.lot')
        ) as lots
    from said
    where source is not null
),

reached as (
    select kind, instant, unnest(lots) as lot
    from bare
)

select lot, kind, max(instant) as last
from reached
where lot in (select unnest(string_split($lots, chr(10))))
group by lot, kind
order by lot, kind

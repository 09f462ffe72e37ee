-- The plain floor under `load`: reads a file of events and unfolds its endpoints into legs.
-- It checks nothing, projects nothing and hashes nothing.
-- Grain: one row a leg: a vessel that an endpoint names, or an endpoint that names none.
-- Parameters: $file, the path of the events.
-- Columns: position from 1; side `in` or `out`; quantity in exact litres or kilograms, null where
-- the event says `all`.
create table leg as
with event as (
    select
        row_number() over () as position,
        kind,
        "at" as happened_at,
        lot,
        mass,
        "from",
        "to"
    from read_json(
        $file,
        format = 'newline_delimited',
        columns = {
            kind: 'varchar',
            "at": 'varchar',
            lot: 'varchar',
            mass: 'varchar',
            "from": 'struct(lot varchar, vessel varchar, vessels varchar[], volume varchar,
                mass varchar, each varchar)[]',
            "to": 'struct(lot varchar, vessel varchar, vessels varchar[], volume varchar,
                mass varchar, each varchar, bottles bigint, format varchar)[]'
        }
    )
),

endpoint as (
    select
        position, kind, happened_at, 'in' as side, lot, null::varchar[] as vessels,
        mass as said, 1::bigint as times
    from event
    where kind = 'pick'

    union all

    select
        position, kind, happened_at, 'out', part.lot,
        coalesce(part.vessels, [part.vessel]), coalesce(part.each, part.volume, part.mass), 1
    from (select position, kind, happened_at, unnest("from") as part from event) as drawn

    union all

    select
        position, kind, happened_at, 'in', part.lot,
        coalesce(part.vessels, [part.vessel]),
        coalesce(part.each, part.volume, part.mass, part.format), coalesce(part.bottles, 1)
    from (select position, kind, happened_at, unnest("to") as part from event) as filled
),

amount as (
    select
        position, kind, happened_at, side, lot, vessels, times,
        split_part(said, ' ', 1)::decimal(24, 12) as number,
        split_part(said, ' ', 2) as unit
    from endpoint
)

select
    position,
    kind,
    happened_at,
    side,
    lot,
    unnest(coalesce(vessels, [null])) as vessel,
    (number * times * case unit
        when 'gal' then 3.785411784
        when 'mL' then 0.001
        when 'ton' then 907.18474
        else 1
    end::decimal(12, 9))::decimal(38, 12) as quantity
from amount

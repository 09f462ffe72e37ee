-- The plain floor under `load`: reads a file of events and unfolds its endpoints into legs.
-- It checks nothing, projects nothing and hashes nothing.
-- Grain: one row a leg: a vessel that an endpoint names, or an endpoint that names none.
-- Parameters: $file, the path of the events.
-- Columns: position from 1; side `in` or `out`; quantity in exact litres or kilograms, null where
-- the event says `all`, or bottles of a format stated elsewhere; shared_by, how many vessels that
-- quantity is shared evenly over.
create table leg as
with event as (
    select
        row_number() over () as position,
        kind,
        "at" as happened_at,
        "from",
        "to",
        struct_pack(
            lot := lot,
            vessel := vessel,
            vessels := vessels,
            volume := volume,
            mass := mass,
            bottles := bottles,
            "each" := "each",
            format := format
        ) as own
    from read_json(
        $file,
        format = 'newline_delimited',
        columns = {
            kind: 'varchar',
            "at": 'varchar',
            "from": 'varchar',
            "to": 'varchar',
            lot: 'varchar',
            vessel: 'varchar',
            vessels: 'varchar[]',
            volume: 'varchar',
            mass: 'varchar',
            bottles: 'bigint',
            "each": 'varchar',
            format: 'varchar'
        }
    )
),

listed as (
    select
        position,
        kind,
        happened_at,
        'out' as side,
        "from" as said
    from event
    where "from" is not null

    union all

    select
        position,
        kind,
        happened_at,
        'in' as side,
        "to" as said
    from event
    where "to" is not null and kind <> 'ship'
),

endpoint as (
    -- one endpoint stands alone, several in a list
    select
        position,
        kind,
        happened_at,
        side,
        unnest(
            from_json(
                case when starts_with(said, '{') then '[' || said || ']' else said end,
                '[{"lot": "varchar", "vessel": "varchar", "vessels": ["varchar"],
                "volume": "varchar", "mass": "varchar", "bottles": "bigint",
                "each": "varchar", "format": "varchar"}]'
            )
        ) as part
    from listed

    union all

    -- fruit and wine that come and go without an endpoint, and the flat forms
    select
        position,
        kind,
        happened_at,
        case when kind in ('loss', 'ship') then 'out' else 'in' end as side,
        own as part
    from event
    where
        kind in ('pick', 'receive', 'return', 'loss')
        or (kind in ('bottle', 'pack') and "to" is null)
        or (kind = 'ship' and "from" is null)
),

amount as (
    select
        position,
        kind,
        happened_at,
        side,
        part.lot as lot,
        coalesce(part.vessels, [part.vessel]) as vessels,
        coalesce(part.bottles, 1) as times,
        coalesce(part.each, part.volume, part.mass, part.format) as said,
        if(part.each is null, coalesce(len(part.vessels), 1), 1) as shared_by
    from endpoint
)

select
    position,
    kind,
    happened_at,
    side,
    lot,
    unnest(vessels) as vessel,
    (
        split_part(said, ' ', 1)::decimal(24, 12) * times
        * case split_part(said, ' ', 2)
            when 'gal' then 3.785411784
            when 'mL' then 0.001
            when 'hL' then 100
            when 'ton' then 907.18474
            when 'lb' then 0.45359237
            when 'g' then 0.001
            when 't' then 1000
            else 1
        end::decimal(13, 9)
    )::decimal(38, 12) as quantity,
    shared_by
from amount

-- What a lot is made of, by following every path back to the sources: the plain way to ask a
-- graph in SQL, and the floor under `composition`. Paths multiply where edges do not, so it ends
-- only on a small ledger. Shares are binary floats here.
-- Grain: one row a variety and vintage. Parameters: $lot, a lot that holds something.
-- Columns: variety; vintage (year, of the day of picking); share (0 to 1).
with recursive holding as (
    select unnest(json_extract(body, '$[3][*][1][1][*]')) as part
    from lot_state
    where lot = $lot
),

content as (
    select
        (part ->> 0)::bigint as node,
        (part ->> 1)::double as amount
    from holding
),

step as (
    select
        node,
        parent,
        amount::double / sum(amount::double) over (partition by node) as share
    from edge
),

path as (
    select
        node,
        amount / sum(amount) over () as share
    from content

    union all

    select
        step.parent as node,
        path.share * step.share as share
    from path
    inner join step on path.node = step.node
),

source as (
    select
        path.node,
        sum(path.share) as share
    from path
    left join edge on path.node = edge.node
    where edge.node is null
    group by path.node
),

part as (
    select
        source.share,
        event.instant,
        event.kind,
        unnest(
            case event.kind
                when 'receive' then json_extract(event.body, '$.composition[*]')
                else json_extract(register.fields, '$.plantings[*]')
            end
        ) as said
    from source
    inner join node on source.node = node.node
    inner join event on node.position = event.position
    left join register
        on register.kind = 'block' and event.body ->> 'block' = register.name
),

known as (
    select
        share,
        said ->> 'variety' as variety,
        coalesce(
            (said ->> 'vintage')::integer, year(make_timestamp(instant))
        ) as vintage,
        coalesce(said ->> 'share', '1') as portion
    from part
)

select
    variety,
    vintage,
    sum(
        share * split_part(portion, '/', 1)::double
        / case when contains(portion, '/') then split_part(portion, '/', 2)::double else 1 end
    ) as share
from known
group by variety, vintage
order by share desc

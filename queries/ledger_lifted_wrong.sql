-- Events whose lifted columns are not what their body says, or whose body says nothing.
-- Grain: one row an event, by position. Parameters: none.
-- Columns: position, id, kind (as the columns have them).
with lifted as (
    select
        position,
        id,
        kind,
        name,
        case
            when json_valid(body) then json_extract_string(body, ['$.id', '$.kind', '$.name'])
        end as said
    from event
)

select
    position,
    id,
    kind
from lifted
where
    id is distinct from said[1]
    or kind is distinct from said[2]
    or name is distinct from said[3]
order by position

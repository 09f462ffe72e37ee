-- Events whose lifted columns are not what their body says.
-- Grain: one row an event, by position. Parameters: none.
-- Columns: position, id, kind (as the columns have them).
with lifted as (
    select
        position,
        id,
        kind,
        name,
        json_extract_string(body, ['$.id', '$.kind', '$.name']) as said
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

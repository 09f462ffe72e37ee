-- Rows of tables that were recorded in one load with given events and are not among them.
-- Grain: an event. Parameters: $ids, one a line, in small letters; $position of those among them
-- that are recorded, one a line. Columns: position, body (JSON).
select position, body
from event
where recorded_at in (
    select recorded_at
    from event
    where position in (select unnest(string_split($position, chr(10)))::integer)
  )
  and substr(id, 15, 1) = '5' -- the version of a UUID that is made of what it stands for
  and lower(id) not in (select unnest(string_split($ids, chr(10))))
order by position

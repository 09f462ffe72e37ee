-- The vessels that ever were, by name: registered or used. Grain: a vessel. Columns: vessel.
select distinct vessel
from (
    select vessel
    from node
    union all
    select name as vessel
    from register
    where kind = 'vessel'
)
where vessel is not null
order by vessel

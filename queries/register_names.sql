-- The registered names. Grain: a kind and a name. Columns: kind, name.
select distinct kind, name
from register
order by kind, name

-- The states of the lots that lie in vessels. Grain: a lot. Columns: lot, body (JSON).
select lot, body
from lot_state
where held
  and len(
      list_filter(json_extract_string(body, '$[3][*][0][*]'), lambda vessel: vessel is not null)
  ) > 0
order by lot

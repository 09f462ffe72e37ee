-- Lots that changed in a span or later changed in this one: the stands between are gone.
-- Parameters: $span.
update lot_state
set span = $span
where span > $span

-- Lots as they stood at the end of a span. Grain: a lot. Parameters: $span.
-- Columns: lot, span (the last in which it had changed), body (JSON).
with stood as (
    select lot, span, body
    from lot_before
    where span <= $span
    union all
    select lot, span, body
    from lot_state
    where span <= $span
)

select lot, max(span) as span, arg_max(body, span) as body
from stood
group by lot

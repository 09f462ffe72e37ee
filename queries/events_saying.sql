-- Events of some kinds that hold a text, and corrections that hold it. Grain: an event.
-- Parameters: $kinds, one a line; $text, as it stands in the JSON (empty: any); $upto, a position;
-- $since and $until, instants (us UTC) that bound the events and not the corrections.
-- Columns: position, corrects (the id that a correction corrects, else null).
select
    position,
    json_extract_string(body, '$.corrects') as corrects
from event
where position <= $upto
  and (
      kind = 'correct'
      or (
          kind in (select unnest(string_split($kinds, chr(10))))
          and instant between $since and $until
      )
  )
  and contains(body, $text)
order by position

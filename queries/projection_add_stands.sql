-- Adds stands. Grain: a stand. Given: an array a column; instants in microseconds (UTC), holds as JSON.
insert into stand (span, instant, position, nodes, ferments, holds)
select
    given.span,
    given.instant::hugeint as instant,
    given.position,
    given.nodes,
    given.ferments,
    given.holds
from given

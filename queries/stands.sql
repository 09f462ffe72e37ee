-- The stands. Grain: a stand, by number. No parameters.
-- Columns: span, instant (us UTC), position, nodes, ferments, holds (JSON).
select span, instant, position, nodes, ferments, holds
from stand
order by span

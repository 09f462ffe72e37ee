-- Writes the projection's own state. Parameters: $position, $last_instant, $last_position, $body.
insert into projected (position, last_instant, last_position, body)
values ($position, $last_instant, $last_position, $body)

-- Records one fact about the file.
-- Grain: one row. Parameters: $name, $value (text).
insert into meta (name, value)
values ($name, $value)

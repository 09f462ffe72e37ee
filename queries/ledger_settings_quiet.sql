-- A statement that takes long draws no bar on standard output: the answer stands there.
-- Grain: none. Parameters: none.
set enable_progress_bar = false

-- Sets the session's zone, so that no answer depends on where the machine stands.
-- Grain: none. Parameters: none.
set timezone = 'UTC'

-- Closes the settings: from here on no statement can open files, the network or the settings.
-- Grain: none. Parameters: none.
set lock_configuration = true

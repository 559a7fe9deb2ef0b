"""The commands: one small module each, or a row of a table where a command only asks the daemon."""

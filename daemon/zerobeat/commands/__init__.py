"""One small module a command, imported when it is used."""

"""The commands and the running daemon."""

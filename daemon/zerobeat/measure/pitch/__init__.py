"""Reads the pitch of one take with a true uncertainty, or refuses it with a named reason."""

"""Decides every note and bend. Opens no port, reads no clock, starts no thread."""

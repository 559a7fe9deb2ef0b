"""Talks to a running daemon over its control socket."""

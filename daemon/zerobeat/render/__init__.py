"""Runs engine and wire without ports: on a MIDI file, or into a virtual case."""

"""The engine without ports: a MIDI file, or a virtual case, through the same engine and wire."""

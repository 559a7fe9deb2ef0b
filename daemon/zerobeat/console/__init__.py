"""The live status in a terminal."""

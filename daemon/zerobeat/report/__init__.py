"""One HTML page about the voices' profiles."""

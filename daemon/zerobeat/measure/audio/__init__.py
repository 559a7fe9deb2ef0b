"""Audio inputs, recordings, and the process that records."""

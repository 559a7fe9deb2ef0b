"""Plans the readings of a voice, fits its tracking curve, and proves the correction."""

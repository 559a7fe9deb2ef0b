"""What to read next, the fit of a tracking curve, and the proof of it."""

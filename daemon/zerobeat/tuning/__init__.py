"""Numbers only: units, scales, tracking curves, bend."""

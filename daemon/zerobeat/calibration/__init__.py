"""A voice played through the daemon and heard: tune, trim, warm-up, measure, touch-up, soundcheck."""

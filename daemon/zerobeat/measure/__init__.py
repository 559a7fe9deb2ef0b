"""Reading oscillators: takes, plans, fits, reports."""

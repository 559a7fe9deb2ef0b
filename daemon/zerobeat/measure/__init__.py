"""Reading oscillators: one take, the curve, audio inputs. Needs numpy."""

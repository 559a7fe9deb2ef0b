"""Simulates a case: a converter and oscillators, with flaws, from MIDI bytes to audio."""

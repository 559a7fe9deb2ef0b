"""Readings of a virtual voice, as a good ear or meter would take them.

They carry noise and the wander of the moment; nothing here knows the formulas
of the oscillator.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from zerobeat.sim.virtual_case import VirtualCase
from zerobeat.tuning.tracking import Reading

_DITHERS = 8  # bends across one converter step, so that its rounding averages out
_READING_S = 0.6  # a note, its settling and its take


def noise_cents(notes: Sequence[int] | NDArray[np.int_]) -> NDArray[np.float64]:
    """Return the standard uncertainty of a reading of half a second, by note.

    Low notes have fewer periods to read. An assumption, in the manner of the
    Cramer-Rao bound; not a measurement.
    """
    return np.asarray(0.03 + 0.05 * 2.0 ** ((36.0 - np.asarray(notes)) / 12.0))


def read_voice(
    case: VirtualCase,
    channel: int,
    notes: Sequence[int],
    *,
    panel_octaves: int = 0,
    start_s: float = 0.0,
    seed: int = 0,
) -> list[Reading]:
    """Return a reading for each note, one after the other in time.

    Args:
        case: it is asked, not played: nothing sounds on its converter.
        channel: the voice's converter channel.
        notes: MIDI keys to command.
        panel_octaves: how far the panel is set from the written pitch; taken
            out, so that a perfect voice reads 0 cents.
        start_s: time of the first reading.
        seed: of the reading noise.
    """
    rng = np.random.default_rng([seed, channel, 0x4EAD])
    range_cents = case.converter.bend_range_cents(channel)
    step_bends = case.converter.step_cents(channel) * 8192.0 / range_cents
    bends = np.round(np.linspace(-0.5, 0.5, _DITHERS) * step_bends).astype(int)
    sigmas = noise_cents(notes)
    readings = []
    for index, note in enumerate(notes):
        at_s = start_s + index * _READING_S
        heard = case.pitches(channel, note, bends, at_s, wander=True)
        asked = 100.0 * note + bends * (range_cents / 8192.0) + 1200.0 * panel_octaves
        error = float(np.mean(heard - asked)) + float(rng.normal(0.0, sigmas[index]))
        if np.isfinite(error):  # a voice that stands still has no reading
            readings.append(Reading(100.0 * note, error, float(sigmas[index])))
    return readings

"""A recorded sweep: its notes are found in their order, then read one by one.

Notes are separated by silence, or where there is none by changes of the spectrum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ...errors import MeasureError, TakeRefusedError
from ...tuning.units import hertz_to_pitch, name_of_note, pitch_to_hertz
from ..pitch.reader import Pitch, estimate_pitch
from ..pitch.take import HIGHEST_HZ, LOWEST_HZ, Take, TakeRequest

FRAME_S = 0.01
SILENT_DB = -30.0  # under the upper quartile of the level
LEAST_NOTE_S = 0.2
BRIDGE_S = 0.03  # a shorter gap is a dip in the level of one note
NOTE_START_S = 0.08  # left out at the beginning of a note
NOTE_END_S = 0.03  # left out at its end
LONGEST_SWEEP_TAKE_S = 2.0
WRONG_NOTE_CENTS = 150.0  # of a note from its place in the sweep
Floats = NDArray[np.float64]


def read_sweep(
    samples: Floats,
    sample_rate_hz: int,
    voice: str,
    notes: Sequence[int],
    panel_octaves: int = 0,
    middle_c_octave: int = 4,
) -> list[Take]:
    """Return the takes of a recorded sweep.

    Args:
        samples: one channel, shape (n,), full scale 1.0.
        notes: the numbers that were sent, in the order in which they sound.
        panel_octaves: as in the rig.

    Raises:
        MeasureError: another number of notes, or pitches of another sweep.
    """
    found = sounding_stretches(samples, sample_rate_hz)
    if len(found) != len(notes):
        split = split_at_changes(samples, sample_rate_hz, found)
        if len(split) == len(notes):
            found = split
    if len(found) != len(notes):
        raise MeasureError(
            f"{voice}: found {len(found)} notes in the recording, the sweep has {len(notes)} "
            f"({_range_name(notes, middle_c_octave)}); leave 0.1 s of silence between notes, or "
            "name the notes with --notes"
        )
    takes = [
        _read_sweep_note(
            samples[begin:end],
            sample_rate_hz,
            begin,
            TakeRequest(
                voice,
                note,
                0.0,
                (end - begin) / sample_rate_hz,
                "reading",
                NOTE_START_S,
                100.0 * note + 1200.0 * panel_octaves,
            ),
        )
        for (begin, end), note in zip(found, notes, strict=True)
    ]
    _check_order(voice, takes, middle_c_octave)
    return takes


def sounding_stretches(samples: Floats, rate_hz: int) -> list[tuple[int, int]]:
    """Return the stretches that sound: (first sample, one past the last)."""
    size = max(int(FRAME_S * rate_hz), 1)
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    if not len(frames):
        return []
    # The maximum over seven frames: one period of a low note spans several frames.
    level = np.sqrt(np.mean((frames - samples.mean()) ** 2, axis=1))
    level = np.max(np.stack([np.roll(level, shift) for shift in range(-3, 4)]), axis=0)
    usual = np.quantile(level, 0.75)
    if usual <= 0.0:
        return []
    on = level > usual * 10.0 ** (SILENT_DB / 20.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    runs = [[int(a), int(b)] for a, b in edges.reshape(-1, 2)]
    joined: list[list[int]] = []
    for run in runs:
        if joined and (run[0] - joined[-1][1]) * FRAME_S < BRIDGE_S:
            joined[-1][1] = run[1]
        else:
            joined.append(run)
    # The maximum above widened each stretch by three frames on each side.
    return [
        ((a + 3) * size, (b - 3) * size) for a, b in joined if (b - a - 6) * FRAME_S >= LEAST_NOTE_S
    ]


def split_at_changes(
    samples: Floats, rate_hz: int, found: list[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Return stretches cut where the spectrum changes from one frame to the next.

    For drones and legato sweeps, whose notes follow without silence.
    """
    size = int(0.1 * rate_hz)
    hop = size // 4
    cut: list[tuple[int, int]] = []
    for begin, end in found:
        part = samples[begin:end]
        if len(part) < 4 * size:
            cut.append((begin, end))
            continue
        starts = np.arange(0, len(part) - size, hop)
        frames = np.stack([part[s : s + size] for s in starts]) * np.hanning(size)
        shapes = np.abs(np.fft.rfft(frames, axis=1))[:, : size // 4]
        shapes /= np.linalg.norm(shapes, axis=1, keepdims=True) + 1e-20
        apart = 4  # frames, so that the two share no sample
        like = np.sum(shapes[apart:] * shapes[:-apart], axis=1)
        change = 1.0 - like
        edges = [0, *(_peaks(change) * hop + (size + apart * hop) // 2), len(part)]
        for low, high in pairwise(edges):
            if (high - low) / rate_hz >= LEAST_NOTE_S:
                cut.append((begin + int(low), begin + int(high)))
    return cut


def _peaks(change: Floats) -> NDArray[np.int_]:
    """Return the positions of clear peaks, rising, at least eight frames apart: shape (n,)."""
    limit = max(0.15, 4.0 * float(np.median(change)))
    places: list[int] = []
    for place in np.argsort(-change):
        if change[place] < limit:
            break
        if all(abs(int(place) - other) >= 8 for other in places):
            places.append(int(place))
    return np.array(sorted(places), int)


def _read_sweep_note(samples: Floats, rate_hz: int, begin: int, request: TakeRequest) -> Take:
    inner = samples[int(NOTE_START_S * rate_hz) : len(samples) - int(NOTE_END_S * rate_hz)]
    inner = inner[: int(LONGEST_SWEEP_TAKE_S * rate_hz)]
    at_s = begin / rate_hz + NOTE_START_S + len(inner) / rate_hz / 2.0
    assert request.expected_cents is not None
    expected = pitch_to_hertz(request.expected_cents)
    pitch: Pitch | None = None
    reason = ""
    for near in (expected, None):
        try:
            pitch = estimate_pitch(
                inner, rate_hz, expected_hz=near, lowest_hz=LOWEST_HZ, highest_hz=HIGHEST_HZ
            )
            break
        except TakeRefusedError as error:
            reason = reason or error.reason
    return Take(request, pitch, "" if pitch else reason, at_s)


def _check_order(voice: str, takes: list[Take], middle_c_octave: int) -> None:
    """Refuse pitches of another sweep: each must be within ``WRONG_NOTE_CENTS`` of its place."""
    good = [one for one in takes if one.pitch is not None]
    if len(good) < 2:
        reasons = ", ".join(sorted({one.refused.replace("_", " ") for one in takes}))
        raise MeasureError(f"{voice}: found {len(good)} notes that can be read ({reasons})")
    off = np.array([_off(one) for one in good])
    usual = float(np.median(off))
    for place, one in enumerate(takes, start=1):
        if one.pitch is None:
            continue
        if abs(_off(one) - usual) > WRONG_NOTE_CENTS or abs(usual) > 1.5 * 600.0:
            assert one.request.expected_cents is not None
            name = name_of_note(one.request.note, middle_c_octave)
            expected = pitch_to_hertz(one.request.expected_cents)
            raise MeasureError(
                f"{voice}: note {place} of {len(takes)} should be {name}, about {expected:.1f} Hz, "
                f"and sounds at {one.pitch.hertz:.1f} Hz: is this the sweep of other notes or of "
                "another voice?"
            )


def _off(take: Take) -> float:
    assert take.pitch is not None and take.request.expected_cents is not None
    off = hertz_to_pitch(take.pitch.hertz) - take.request.expected_cents
    return off if math.isfinite(off) else 0.0


def _range_name(notes: Sequence[int], middle_c_octave: int) -> str:
    first, last = (name_of_note(note, middle_c_octave) for note in (notes[0], notes[-1]))
    return f"{first} to {last}"

"""Sounding error left over the usable range, for random cases of flaws.

Bound, in the same run: 1.5 times what the bend step and the converter step
alone leave, rms of two uniform roundings: sqrt((b^2 + c^2) / 12). Readings at
every semitone carry 0.03 cent of noise and are dithered over one converter
step. Beside it: a straight line through two points, two octaves apart.

    .venv/bin/python tests/bench/sim_error.py [CASES]
"""

from __future__ import annotations

import sys

import numpy as np

from zerobeat.sim.scenario import random_case
from zerobeat.sim.virtual_case import VirtualCase
from zerobeat.tuning import bend
from zerobeat.tuning.readings import Reading
from zerobeat.tuning.tracking import TrackingCurve

NOISE_CENTS = 0.03
DITHERS = 16
LOWEST, HIGHEST = 24, 96
WARM_S = 3000.0
BOUND = 1.5


def read(case: VirtualCase, channel: int, note: int, rng: np.random.Generator) -> Reading | None:
    """Return a reading, dithered over one converter step."""
    reach = case.converter.bend_range_cents(channel)
    step = case.converter.step_cents(channel)
    offsets = (np.arange(DITHERS) + 0.5) / DITHERS - 0.5
    bends = np.round(offsets * step * 8192.0 / reach).astype(int)
    heard = case.pitches(channel, note, bends, WARM_S)
    error = float(np.mean(heard - 100.0 * note - bends * reach / 8192.0))
    if not np.isfinite(error):
        return None
    return Reading(100.0 * note, error + float(rng.normal(0.0, NOISE_CENTS)), NOISE_CENTS)


def left(
    case: VirtualCase, channel: int, curve: TrackingCurve, rng: np.random.Generator
) -> np.ndarray:
    """Return the errors in cents of pitches asked for all over the usable range."""
    reach = case.converter.bend_range_cents(channel)
    errors = []
    for _ in range(400):
        target = float(rng.uniform(curve.sounding_cents[0], curve.sounding_cents[-1]))
        commanded = curve.commanded(target)
        if curve.unusable_at(commanded) is not None:
            continue
        note = bend.nearest_note(commanded, LOWEST, HIGHEST, reach)
        if note is None:
            continue
        steps = bend.cents_to_bend(commanded - 100.0 * note, reach)
        errors.append(float(case.pitches(channel, note, steps, WARM_S)) - target)
    return np.array(errors)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def main() -> int:
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    failed = 0
    print("case  notes unusable  left rms  steps alone  ratio   two points   (cents)")
    for seed in range(cases):
        rng = np.random.default_rng([seed, 5])
        case = random_case(seed)
        found = [read(case, 0, note, rng) for note in range(LOWEST, HIGHEST + 1)]
        readings = [reading for reading in found if reading is not None]
        curve = TrackingCurve.from_readings(readings)
        two = [r for r in readings if r.pitch_cents in (3600.0, 6000.0)]
        reach = case.converter.bend_range_cents(0)
        steps = np.hypot(reach / 8192.0, case.converter.step_cents(0)) / np.sqrt(12.0)
        ours = rms(left(case, 0, curve, rng))
        # The same targets, commanded along a straight line through two readings.
        x, y = zip(*((r.pitch_cents, r.pitch_cents + r.error_cents) for r in two), strict=True)
        slope = (y[1] - y[0]) / (x[1] - x[0])
        line = rms(
            np.array(
                [
                    r.error_cents + r.pitch_cents - (y[0] + slope * (r.pitch_cents - x[0]))
                    for r in readings
                ]
            )
        )
        ratio = ours / steps
        failed += ratio > BOUND
        mark = "pass" if ratio <= BOUND else "FAIL"
        print(
            f"{seed:4}  {len(readings):5} {len(curve.unusable):8} {ours:9.3f} {steps:12.3f}"
            f" {ratio:6.2f} {line:12.2f}   {mark}"
        )
    print(f"{cases - failed} of {cases} within {BOUND} times")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

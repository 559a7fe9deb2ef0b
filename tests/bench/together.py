"""Eight voices on one input, read from one take, against the bound of all together.

    .venv/bin/python tests/bench/together.py [TRIALS] [SECONDS] [NOISE]

Saws, triangles, pulses and sines, eight notes apart, up to 20 cents off, noise 20 dB down (0.1).
Bounds: every voice read; the rms of errors over the joint Cramer-Rao bound at most 1.5, where
a bound under a thousandth of a cent counts as that; two stated sigma hold 0.9.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.voices_together import RATE, mix_of_eight
from zerobeat.measure.pitch.joint import read_together

NONE_CENTS = 0.001


def main() -> int:
    numbers = [float(one) for one in sys.argv[1:]]
    trials = int(numbers[0]) if numbers else 40
    seconds = numbers[1] if len(numbers) > 1 else 0.5
    noise = numbers[2] if len(numbers) > 2 else 0.1
    ratios, scores, refused, spent_s = [], [], 0, 0.0
    for seed in range(trials):
        base = (0, 7, 19, 24)[seed % 4]
        wave, expected, true, bounds = mix_of_eight(seed, base, seconds, noise=noise)
        start_s = time.process_time()
        found = read_together(wave, RATE, expected)
        spent_s += time.process_time() - start_s
        for (pitch, _), at, bound in zip(found, true, bounds, strict=True):
            if pitch is None:
                refused += 1
                continue
            off = 1200 * np.log2(pitch.hertz / at)
            ratios.append(off / max(bound, NONE_CENTS))
            scores.append(abs(off) / max(pitch.sigma_cents, 1e-9))
    rms = float(np.sqrt(np.mean(np.square(ratios))))
    middle = float(np.median(np.abs(ratios)))
    inside = float(np.mean(np.array(scores) < 2))
    print(
        f"{trials} takes of {seconds:g} s: {refused} of {8 * trials} not read, rms over "
        f"bound {rms:.2f} (median {middle:.2f}, worst {np.abs(ratios).max():.1f}), two sigma hold "
        f"{inside:.3f}, {spent_s / trials:.2f} s of processor a take"
    )
    return 0 if rms <= 1.5 and inside >= 0.9 and not refused else 1


if __name__ == "__main__":
    sys.exit(main())

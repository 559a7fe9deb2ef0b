"""Eight voices on one input, measured by one command, with no hardware.

    .venv/bin/python tests/bench/measure_together.py [SEEDS]

The command's own code, from identity to check notes, on a virtual case: random oscillators
behind 16 bits, a slew of 3 ms, a DIN cable's pace, hiss; C2 to C6. Bounds: 120 s of playing,
counted from the first command to the last, every voice within a cent everywhere.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.virtual_octo import measure_all, octo

MOST_PLAYING_S, MOST_CENTS = 120.0, 1.0


def main() -> int:
    bad = 0
    for seed in range(1, 1 + int((sys.argv[1:] or ["3"])[0])):
        with tempfile.TemporaryDirectory() as folder:
            session, daemon = octo(Path(folder), 8, seed)
            began_s = daemon.now_s
            found, _ = measure_all(session)
        worst, missing = 0.0, 0
        for channel, one in enumerate(found.values()):
            if isinstance(one, str):
                print(one)
                missing += 1
                continue
            for note in range(36, 85):
                true = float(daemon.case.pitches(channel, note, 0, daemon.now_s))
                if one.fit.curve.unusable_at(100.0 * note) is None:
                    worst = max(worst, abs(one.fit.curve.sounding(100.0 * note) - true))
        playing_s = daemon.now_s - began_s
        good = playing_s <= MOST_PLAYING_S and worst <= MOST_CENTS and not missing
        bad += not good
        voices_a_take = np.mean([voices for voices, _ in session.audio.log])
        print(
            f"seed {seed}: {playing_s:.0f} s of playing, {session.audio.sound_s:.0f} s of sound, "
            f"{voices_a_take:.1f} voices a take, worst {worst:.2f} cents, {missing} not measured: "
            f"{'PASS' if good else 'FAIL'}"
        )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())

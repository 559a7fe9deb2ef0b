"""The pitch reader on takes that are hard to read, against its figures.

    python tests/bench/hard_takes.py [wide] [refuse] [wrong] [sigma] [--seeds 1] [--verbose]

wide: 400 steady tones a seed, 15 to 9,000 Hz, no expected pitch: none off by more than 50 cents
that states less than 5 cents, at most 2 % refused. refuse: 60 pairs of oscillators a seed, at
most one accepted. wrong: forty of each sound that moves while its pitch stands: none off by more
than 3 stated sigma and 0.5 cents. sigma: 200 tones a group: two sigma hold 0.92 to 0.99.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line sets it

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from kit.hard_takes import REFUSE, SEEDS, SIGMA, STEADILY_WRONG, WIDE, HardTake, Maker
from zerobeat.errors import TakeRefusedError
from zerobeat.measure.pitch.reader import Pitch, estimate_pitch

GROSS_CENTS, SURE_CENTS = 50.0, 5.0


def read(take: HardTake) -> Pitch | str:
    """Return the reading, or the reason of a refusal."""
    try:
        return estimate_pitch(take.samples, take.rate, **take.given)
    except TakeRefusedError as refusal:
        return refusal.reason


def cents(found: Pitch, take: HardTake) -> float:
    assert take.hertz is not None
    return float(1200 * np.log2(found.hertz / take.hertz))


class Group:
    """The readings of one group."""

    def __init__(self, name: str, make: Maker, count: int, seed: int, verbose: bool) -> None:
        rng = np.random.default_rng([seed, sum(map(ord, name))])
        self.name, self.count = name, count
        self.refused: Counter[str] = Counter()
        self.accepted, self.gross, self.off = 0, 0, 0
        self.scores: list[float] = []
        self.errors: list[float] = []
        self.spent_s = self.sound_s = 0.0
        for number in range(count):
            take = make(rng)
            start_s = time.process_time()
            found = read(take)
            self.spent_s += time.process_time() - start_s
            self.sound_s += len(take.samples) / take.rate
            line = self._judge(take, found)
            if verbose and line:
                print(f"    {name} {seed}/{number}: {line}", flush=True)

    def _judge(self, take: HardTake, found: Pitch | str) -> str:
        where = "" if take.hertz is None else f"{take.hertz:.2f} Hz "
        if isinstance(found, str):
            self.refused[found] += 1
            return f"{where}refused: {found}" if take.hertz else ""
        self.accepted += 1
        if take.hertz is None:
            return f"accepted {found}"
        off = abs(cents(found, take))
        self.errors.append(off)
        self.scores.append(off / found.sigma_cents)
        self.gross += off > GROSS_CENTS and found.sigma_cents < SURE_CENTS
        wrong = off > 3 * found.sigma_cents and off > 0.5
        self.off += wrong
        return f"{where}{cents(found, take):+.3f} cents, {found}" if wrong else ""

    def line(self) -> str:
        inside = np.mean(np.array(self.scores) < 2) if self.scores else np.nan
        worst = max(self.errors, default=np.nan)
        middle = np.median(self.errors) if self.errors else np.nan
        refused = " ".join(f"{k} {v}" for k, v in sorted(self.refused.items()))
        return (
            f"{self.name:20s} {self.accepted:3d} of {self.count} read, gross {self.gross}, off "
            f"{self.off}, median {middle:.4f}, worst {worst:.3f}, in 2 sigma {inside:.3f}, cpu "
            f"{self.spent_s / self.sound_s:.3f}  {refused}"
        )


def run(groups: dict[str, Maker], count: int, seeds: list[int], verbose: bool) -> list[list[Group]]:
    """Return the groups of each seed, and print a line for each."""
    found = []
    for seed in seeds:
        found.append([Group(name, make, count, seed, verbose) for name, make in groups.items()])
        for group in found[-1]:
            print(f"  {seed} {group.line()}", flush=True)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("parts", nargs="*", default=[], help="wide, refuse, wrong, sigma")
    parser.add_argument("--seeds", type=int, default=len(SEEDS))
    parser.add_argument("--only", default="")
    parser.add_argument("--verbose", action="store_true")
    asked = parser.parse_args()
    seeds, failed = list(SEEDS[: asked.seeds]), 0

    def part(name: str, groups: dict[str, Maker], count: int) -> list[list[Group]]:
        if asked.parts and name not in asked.parts:
            return []
        chosen = {key: make for key, make in groups.items() if asked.only in key}
        return run(chosen, count, seeds, asked.verbose)

    def verdict(good: bool, text: str) -> None:
        nonlocal failed
        failed += not good
        print("pass" if good else "FAIL", text, flush=True)

    for groups in part("wide", WIDE, 40):
        gross, refused = sum(g.gross for g in groups), sum(g.count - g.accepted for g in groups)
        total = sum(g.count for g in groups)
        verdict(gross == 0 and refused <= 0.02 * total, f"wide: gross {gross}, refused {refused}")
    for groups in part("refuse", REFUSE, 20):
        accepted = sum(g.accepted for g in groups)
        verdict(accepted <= 1, f"refuse: accepted {accepted}")
    for groups in part("wrong", STEADILY_WRONG, 40):
        verdict(not any(g.off for g in groups), f"wrong: off {sum(g.off for g in groups)}")
    for groups in part("sigma", SIGMA, 200):
        inside = [float(np.mean(np.array(g.scores) < 2)) for g in groups]
        verdict(all(0.92 <= i <= 0.99 for i in inside), f"sigma: {np.round(inside, 3)}")
    print(f"{failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

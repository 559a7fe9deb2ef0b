"""Two trees in one run: note path, start, memory and bytes on the wire, as new to old.

The trees take turns, with this interpreter, so that both meet the same machine at the same time.
Each runs its own ``note_path.py`` and ``wire_bytes.py``; starts and memory are taken from here, as
``start.py`` does. Of each figure the best of the rounds counts: what slows a round down comes from
outside. Bounds: 1.05 times the old tree; bytes on the wire 1.000 times, session by session.

    .venv/bin/python tests/bench/old_and_new.py OLD [--new NEW] [--rounds 5] [--keys 20000]

OLD and NEW are folders with ``daemon/`` and ``tests/``; NEW is this tree if not given.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from start import one_start, write_rig

from kit.jack import JackServer, MidiSender

HERE = Path(__file__).resolve().parents[2]
BOUND = 1.05
STARTS = 3
NOTE_PATH = re.compile(r"^ *(\d+) +\d+ +([\d.]+)", re.MULTILINE)  # voices, keys, median
WIRE = re.compile(r"^(\S+) +(\d+) +\d+ +[\d.]+", re.MULTILINE)  # session, bytes


def environment_of(tree: Path) -> dict[str, str]:
    """Return the environment of a tree's processes; bytecode is kept, as an installed program's."""
    environment = dict(os.environ) | {
        "PYTHONPATH": f"{tree / 'daemon'}{os.pathsep}{tree / 'tests'}",
    }
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    return environment


def run(tree: Path, bench: str, *arguments: str) -> str:
    """Return what a bench of a tree prints; it may fail its own bounds."""
    done = subprocess.run(
        [sys.executable, str(tree / "tests/bench" / bench), *arguments],
        env=environment_of(tree),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.stderr:
        print(f"{tree}: {bench}: {done.stderr}", file=sys.stderr)
    return done.stdout


def starts(tree: Path) -> dict[str, float]:
    """Return the shortest start of a few, and the memory held after it."""
    has_main = (tree / "daemon/zerobeat/__main__.py").exists()
    program = (sys.executable, "-m", "zerobeat" if has_main else "zerobeat.app.cli")
    with (
        tempfile.TemporaryDirectory() as folder,
        JackServer() as server,
        MidiSender("keys") as keys,
    ):
        environment = environment_of(tree) | {
            name: server.environment[name]
            for name in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER")
        }
        rig = write_rig(Path(folder))
        one_start(rig, environment, keys, program)  # compiles what is not compiled yet
        rows = [one_start(rig, environment, keys, program) for _ in range(STARTS)]
    return {
        "start, s": min(row[0] for row in rows),
        "memory, MB": min(row[1] - row[2] for row in rows),
    }


def figures(tree: Path, keys: int) -> dict[str, float]:
    """Return one round's figures of a tree, by name."""
    printed = run(tree, "note_path.py", str(keys))
    medians = {f"note path, {v} voices, us": float(us) for v, us in NOTE_PATH.findall(printed)}
    return medians | starts(tree)


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("old", type=Path)
    parser.add_argument("--new", type=Path, default=HERE)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--keys", type=int, default=20_000)
    asked = parser.parse_args()
    trees = (asked.old.resolve(), asked.new.resolve())
    best: tuple[dict[str, float], dict[str, float]] = ({}, {})
    for number in range(asked.rounds):
        for side in (0, 1) if number % 2 == 0 else (1, 0):
            for name, value in figures(trees[side], asked.keys).items():
                best[side][name] = min(value, best[side].get(name, value))
    passed = best[0].keys() == best[1].keys()
    print(f"{'best of ' + str(asked.rounds):26} {'old':>8} {'new':>8} {'ratio':>6}")
    for name, old in best[0].items():
        ratio = best[1][name] / old
        passed &= ratio <= BOUND
        verdict = "pass" if ratio <= BOUND else "FAIL"
        print(f"{name:26} {old:8.3f} {best[1][name]:8.3f} {ratio:6.3f}   {verdict}")
    old_bytes, new_bytes = (dict(WIRE.findall(run(tree, "wire_bytes.py"))) for tree in trees)
    both = old_bytes.keys() & new_bytes.keys()
    old_sum, new_sum = (sum(int(held[name]) for name in both) for held in (old_bytes, new_bytes))
    same = bool(both) and all(old_bytes[name] == new_bytes[name] for name in both)
    passed &= same
    verdict = "pass" if same else "FAIL"
    ratio = new_sum / old_sum
    print(f"{'wire, bytes':26} {old_sum:8} {new_sum:8} {ratio:6.3f}   {verdict}")
    for name in sorted(old_bytes.keys() ^ new_bytes.keys()):
        print(f"  session {name} is in one tree only")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())

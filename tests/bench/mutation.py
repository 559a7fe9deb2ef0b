"""Draws mutants of the engine and the numbers at random, and says which of them survive the tests.

Mutants are mutmut's (extra ``mutation``). One of a function is tried by the tests that call it,
in a process that has read them all (``mutant_trials.py``); another is written into a copy of the
package and tried by the tests that speak of its module, then by all. ``mutmut run`` does the same
for every mutant, which takes a day. What survives is read: ``equivalent_mutants.txt`` lists those
that change nothing, with the reason.

    .venv/bin/python tests/bench/mutation.py [--count 300] [--seed 1]
    .venv/bin/python tests/bench/mutation.py --again FILE      (of what survived)
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from difflib import unified_diff
from pathlib import Path
from typing import NamedTuple

from mutmut.mutation.file_mutation import create_mutations, deep_replace

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "daemon/zerobeat"
FOLDERS = ("engine", "tuning")
SLOW = (
    "tests/engine/test_invariants.py",
    "tests/engine/pedals/test_pedal_invariants.py",
    "tests/engine/test_bytes.py",
    "tests/engine/test_every_command.py",
)
ELSEWHERE = (
    "tests/config",
    "tests/render",
    "tests/runtime/test_note_path.py",
    "tests/runtime/test_socket_commands.py",
)
NEAREST = 5  # test files that speak most of a module are run alone at first
LONGEST_S = 300.0
EQUIVALENT = Path(__file__).with_name("equivalent_mutants.txt")


def equivalents() -> dict[str, str]:
    """Return the reason why a mutant changes nothing, by what ``changed`` says of it."""
    found: dict[str, str] = {}
    for block in EQUIVALENT.read_text().split("\n\n"):
        reason = [line[2:] for line in block.splitlines() if line.startswith("# ")]
        lines = [line for line in block.splitlines() if line and not line.startswith("#")]
        if lines:
            found["\n".join(lines)] = " ".join(reason)
    return found


class Mutant(NamedTuple):
    """One change of a module.

    Args:
        module: its path within the package.
        text: of the module with the change.
        changed: the module and the lines that differ, without their indentation.
        line: where they begin.
    """

    module: str
    text: str
    changed: str
    line: int


def _mutant(module: str, whole: str, text: str) -> Mutant:
    lines = list(unified_diff(whole.splitlines(), text.splitlines(), n=0, lineterm=""))[2:]
    shown = "\n".join([module, *(f"{x[0]} {x[1:].strip()}" for x in lines if x[0] in "+-")])
    return Mutant(module, text, shown, int(lines[0].split()[1].split(",")[0][1:]))


def drawn(count: int, seed: int) -> list[Mutant]:
    """Return mutants drawn at random."""
    sources = [path for folder in FOLDERS for path in sorted((PACKAGE / folder).rglob("*.py"))]
    every: list[tuple[Path, int]] = []
    mutations = {}
    for path in sources:
        module, changes, _, _ = create_mutations(str(path), path.read_text())
        mutations[path] = (module, changes)
        every += [(path, number) for number in range(len(changes))]
    print(f"{len(every)} mutants; {count} are drawn", flush=True)
    found: list[Mutant] = []
    for path, number in random.Random(seed).sample(every, min(count, len(every))):
        module, changes = mutations[path]
        change = changes[number]
        text = deep_replace(module, change.original_node, change.mutated_node).code
        found.append(_mutant(str(path.relative_to(PACKAGE)), path.read_text(), text))
    return found


def listed(file: Path) -> list[Mutant]:
    """Return the mutants that blocks of a file list, as this program prints what survives."""
    found: list[Mutant] = []
    for block in file.read_text().split("\n\n"):
        lines = [line for line in block.splitlines() if line and line[0] != "#"]
        if len(lines) < 2:
            continue
        module, wanted = lines[0], [line[2:] for line in lines[1:] if line[0] == "-"]
        fresh = [line[2:] for line in lines[1:] if line[0] == "+"]
        whole = (PACKAGE / module).read_text()
        text = whole.splitlines()
        places = [
            place
            for place in range(len(text) - len(wanted) + 1)
            if [line.strip() for line in text[place : place + len(wanted)]] == wanted
        ]
        if not places:
            print(f"not there any more: {block}\n", flush=True)
            continue
        place = places[0]
        indent = text[place][: len(text[place]) - len(text[place].lstrip())]
        text[place : place + len(wanted)] = [indent + line for line in fresh]
        found.append(_mutant(module, whole, "\n".join(text) + "\n"))
    return found


def quick_tests(module: str) -> list[str]:
    """Return the test files for a module, those that speak of it most often first."""
    folders = FOLDERS if module.startswith("tuning") else FOLDERS[:1]
    files = [path for name in folders for path in (ROOT / "tests" / name).rglob("test_*.py")]
    stem = Path(module).stem.replace("_", ".")

    def mentions(path: Path) -> tuple[int, int]:
        text = path.read_text().lower().replace("_", ".").replace(" ", ".")
        return (stem in path.stem.replace("_", ".")) * 1000 + text.count(stem), -len(text)

    names = [str(path.relative_to(ROOT)) for path in sorted(files, key=mentions, reverse=True)]
    return [name for name in names if name not in SLOW]


def survives(package: Path, module: str, mutant: str, python: str) -> bool:
    """Return whether the tests say nothing of a mutant; one that never ends is caught."""
    path = package / "zerobeat" / module
    whole = path.read_text()
    path.write_text(mutant)
    try:
        quick = quick_tests(module)
        for chosen in (quick[:NEAREST], [*quick[NEAREST:], *SLOW], ELSEWHERE):
            done = subprocess.run(
                [python, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *chosen],
                cwd=ROOT,
                env=_environment(package),
                capture_output=True,
                timeout=LONGEST_S,
                check=False,
            )
            if done.returncode:
                return False
    except subprocess.TimeoutExpired:
        return False
    finally:
        path.write_text(whole)
    return True


def _environment(package: Path) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": f"{package}:{ROOT / 'tests'}",
    }


def answers(folder: Path, asked: list[Mutant], python: str) -> Iterator[str]:
    """Yield ``caught``, ``survived`` or ``module`` for each mutant; see ``mutant_trials``."""
    (folder / "asked.json").write_text(json.dumps([[one.module, one.text] for one in asked]))
    written = folder / "answers.jsonl"
    written.touch()
    plugin = ["-p", "bench.mutant_trials", "-p", "no:cacheprovider"]
    tests = [f"tests/{name}" for name in FOLDERS]
    process = subprocess.Popen(
        [python, "-m", "pytest", "-q", *plugin, *tests],
        cwd=ROOT,
        env=_environment(folder) | {"ZEROBEAT_MUTANTS": str(folder)},
        stdout=subprocess.DEVNULL,
    )
    with written.open() as lines:
        for _ in asked:
            while not (line := lines.readline()).endswith("\n"):
                if process.poll() is not None:
                    raise SystemExit("the tests ended before the mutants did")
                time.sleep(0.2)
            yield json.loads(line)[1]
    process.wait()


def main() -> int:
    parser = argparse.ArgumentParser(description="Draw mutants and try the tests on them.")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--again", type=Path, help="a file of mutants to try instead of drawing")
    parser.add_argument("--python", default=sys.executable, help="that runs the tests")
    options = parser.parse_args()
    known = equivalents()
    same, asked = 0, []
    draw = listed(options.again) if options.again else drawn(options.count, options.seed)
    for one in draw:
        if one.changed in known:
            same += 1
            print(f"changes nothing: {one.changed}\n  {known[one.changed]}", flush=True)
        else:
            asked.append(one)
    left = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(PACKAGE, folder / "zerobeat", ignore=ignored)
        for tried, (one, answer) in enumerate(
            zip(asked, answers(folder, asked, options.python), strict=True), 1
        ):
            if answer == "module":
                other = folder / "other"
                if not other.exists():
                    shutil.copytree(PACKAGE, other / "zerobeat", ignore=ignored)
                    compiled = ["-m", "compileall", "-q", "--invalidation-mode", "checked-hash"]
                    subprocess.run([options.python, *compiled, str(other)], check=True)
                survived = survives(other, one.module, one.text, options.python)
            else:
                survived = answer == "survived"
            if survived:
                left += 1
                print(f"survived, near line {one.line}:\n{one.changed}\n", flush=True)
            if tried % 10 == 0:
                print(f"tried {tried}, survived {left}", flush=True)
    caught = len(asked) - left
    print(
        f"{len(asked)} mutants, {left} survived: {100 * caught / len(asked):.1f} % caught; "
        f"{same} more change nothing ({100 * caught / len(draw):.1f} % of all are caught)"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

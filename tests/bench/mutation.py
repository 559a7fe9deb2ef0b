"""Draws mutants of the engine and the numbers at random, and says which of them survive the tests.

Mutants are mutmut's (extra ``mutation``); each is written into a copy of the package and tried
by the tests that speak of its module, then by all of its folder, the slow ones last, until one
fails. ``mutmut run`` does the same for all of them, which takes a day. What survives is read:
``equivalent_mutants.txt`` lists those that change nothing, with the reason.

    .venv/bin/python tests/bench/mutation.py [--count 300] [--seed 1] [--workers 2]
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from difflib import unified_diff
from pathlib import Path
from queue import Queue

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


def changed(module: str, whole: str, mutant: str) -> str:
    """Return a mutant as its module and the lines that differ, without their indentation."""
    lines = list(unified_diff(whole.splitlines(), mutant.splitlines(), n=0, lineterm=""))[2:]
    return "\n".join([module, *(f"{x[0]} {x[1:].strip()}" for x in lines if x[0] in "+-")])


def drawn(count: int, seed: int) -> list[tuple[str, str, str]]:
    """Return (module, its text, the mutant's text) of mutants drawn at random."""
    found: list[tuple[str, str, str]] = []
    sources = [path for folder in FOLDERS for path in sorted((PACKAGE / folder).rglob("*.py"))]
    every: list[tuple[Path, int]] = []
    mutations = {}
    for path in sources:
        module, changes, _, _ = create_mutations(str(path), path.read_text())
        mutations[path] = (module, changes)
        every += [(path, number) for number in range(len(changes))]
    print(f"{len(every)} mutants; {count} are drawn", flush=True)
    for path, number in random.Random(seed).sample(every, min(count, len(every))):
        module, changes = mutations[path]
        change = changes[number]
        mutant = deep_replace(module, change.original_node, change.mutated_node).code
        found.append((str(path.relative_to(PACKAGE)), path.read_text(), mutant))
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
    environment = {
        **os.environ,
        "PYTHONPATH": f"{package}:{ROOT / 'tests'}",
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    path.write_text(mutant)
    try:
        for chosen in ([*quick_tests(module), *SLOW], ELSEWHERE):
            done = subprocess.run(
                [python, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *chosen],
                cwd=ROOT,
                env=environment,
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


def main() -> int:
    parser = argparse.ArgumentParser(description="Draw mutants and try the tests on them.")
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--python", default=sys.executable, help="that runs the tests")
    options = parser.parse_args()
    mutants = drawn(options.count, options.seed)
    known, same = equivalents(), 0
    left: list[str] = []
    tried = 0
    with tempfile.TemporaryDirectory() as folder:
        packages: Queue[Path] = Queue()
        for worker in range(options.workers):
            package = Path(folder) / str(worker)
            ignored = shutil.ignore_patterns("__pycache__")
            shutil.copytree(PACKAGE, package / "zerobeat", ignore=ignored)
            packages.put(package)

        def attempt(one: tuple[str, str, str]) -> None:
            nonlocal tried, same
            module, whole, mutant = one
            reason = known.get(changed(module, whole, mutant))
            if reason is not None:
                same += 1
                print(f"changes nothing: {changed(module, whole, mutant)}\n  {reason}", flush=True)
                return
            package = packages.get()
            try:
                survived = survives(package, module, mutant, options.python)
            finally:
                packages.put(package)
            tried += 1
            if survived:
                lines = unified_diff(whole.splitlines(), mutant.splitlines(), n=1, lineterm="")
                left.append(f"--- {module}\n" + "\n".join([*lines][2:]))
                print(left[-1], flush=True)
            if tried % 10 == 0:
                print(f"tried {tried}, survived {len(left)}", flush=True)

        with ThreadPoolExecutor(options.workers) as pool:
            tuple(pool.map(attempt, mutants))
    caught = tried - len(left)
    print(
        f"{tried} mutants, {len(left)} survived: {100 * caught / tried:.1f} % caught; "
        f"{same} more change nothing ({100 * caught / (tried + same):.1f} % of all caught)"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Works through all that a release must pass, a line for each step.

    release/check [--before FOLDER] [STEP ...]    all steps; some an hour where emulation runs

``--before`` names the built files of the version before, to upgrade from it and go back. Where
ZEROBEAT_VM_LAB names a lab, the scenarios of the virtual machine run, too.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from .build import build
from .errors import ReleaseError, end
from .files import run, sha256
from .targets import ROOT, targets, version

DIST = ROOT / "dist"


def tree() -> str:
    """Nothing is left to commit, and the changelog has the version."""
    if left := run(["git", "status", "--porcelain"], ROOT):
        raise ReleaseError(f"not committed:\n{left.rstrip()}")
    heading = rf"^## {re.escape(version())}\b"
    if not re.search(heading, (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE):
        raise ReleaseError(f"CHANGELOG.md: found no heading for {version()}")
    return version()


def tests() -> str:
    """The whole suite: code, documents, their links, and every shipped file against its reader."""
    return _pytest("tests")


def files() -> str:
    """Everything of the version, twice: the same bytes."""
    build(version(), targets([]), DIST)
    with tempfile.TemporaryDirectory() as folder:
        build(version(), targets([]), Path(folder) / "again")
        again = {path.name: sha256(path) for path in (Path(folder) / "again").iterdir()}
    first = {path.name: sha256(path) for path in DIST.iterdir()}
    if differ := sorted(name for name in first | again if first.get(name) != again.get(name)):
        raise ReleaseError(f"not the same twice: {', '.join(differ)}")
    return f"{len(first)} files, 0 bytes differ"


def installs() -> str:
    """Bundle and package on bare systems: install, upgrade, back, remove, purge; lintian."""
    for program in ("lintian", "debootstrap", "shellcheck"):
        if shutil.which(program) is None:
            raise ReleaseError(f"{program} is not installed")
    return _pytest("tests/release", "--slow", settings={"ZEROBEAT_DIST": str(DIST)})


def machine() -> str:
    """The virtual machine: a real kernel, ALSA and systemd; the built files without a network."""
    if "ZEROBEAT_VM_LAB" not in os.environ:
        raise ReleaseError("ZEROBEAT_VM_LAB names no lab")
    parts: tuple[list[str | Path], ...] = (
        [],
        ["--units"],
        ["--sound"],
        ["--release", DIST],
        ["--release-cuts", DIST],
    )
    told = "".join(run([ROOT / "tests/vm/run", *part], ROOT) for part in parts)
    return f"{sum(line.startswith('ok ') for line in told.splitlines())} scenarios"


def _pytest(*words: str, settings: Mapping[str, str] | None = None) -> str:
    told = run([ROOT / "tests/run", *words], ROOT, os.environ | (settings or {}))
    return told.strip().splitlines()[-1]


STEPS: dict[str, Callable[[], str]] = {
    step.__name__: step for step in (tree, tests, files, installs, machine)
}


def main() -> None:
    parser = argparse.ArgumentParser(prog="release/check", description="Check a release.")
    parser.add_argument("--before", type=Path, help="built files of the version before")
    parser.add_argument("step", nargs="*", help=f"of {', '.join(STEPS)} (default: all)")
    args = parser.parse_args()
    for name in args.step:
        if name not in STEPS:
            raise ReleaseError(f"step: found {name}; allowed: {', '.join(STEPS)}")
    if args.before is not None:
        os.environ["ZEROBEAT_DIST_BEFORE"] = str(args.before.resolve())
    failed = []
    for name in args.step or STEPS:
        start_s = time.monotonic()
        try:
            verdict, text = "ok", STEPS[name]()
        except ReleaseError as error:
            verdict, text = "FAIL", str(error)
            failed.append(name)
        print(f"{verdict:4}  {name:8}  {time.monotonic() - start_s:6.0f} s  {text}", flush=True)
    if failed:
        raise ReleaseError(f"{len(failed)} of {len(args.step or STEPS)} steps: {', '.join(failed)}")


if __name__ == "__main__":
    sys.exit(end(main))

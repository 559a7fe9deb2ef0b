"""Makes everything of a version in dist/, from the last commit, and tells what it made.

    release/build [--into FOLDER] VERSION [TARGET ...]    all targets

Twice made is the same to the byte: times are the commit's, names are sorted, tools are locked.
What is not committed is left out.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from pathlib import Path

from . import bundle, debian, debs, wheels
from .archive import committed_tree, epoch_s
from .bom import bill
from .errors import ReleaseError, end
from .files import run
from .targets import ROOT, Target, targets, version
from .tools import tools


def build_python(tree: Path, into: Path, time_s: int) -> Path:
    """Write wheel and sdist; return the wheel."""
    environment = os.environ | {"SOURCE_DATE_EPOCH": str(time_s)}
    command = ["-m", "hatchling", "build", "-t", "wheel", "-t", "sdist", "-d", str(into)]
    run([tools(), *command], tree, environment)
    (wheel,) = into.glob("*.whl")
    return wheel


def build_target(target: Target, tree: Path, own: Path, into: Path, time_s: int) -> None:
    packages = wheels.fetch(target)
    stem = f"{own.name.split('-py3')[0]}-{target.name}"
    listed = into / f"{stem}.cdx.json"
    needed = debs.read_lock(target.debian_packages)
    listed.write_text(bill(target, own, packages, needed, time_s))
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        packed = bundle.build(target, tree, own, packages, listed, work, time_s)
        shutil.move(packed, into / packed.name)
        packed = debian.build(target, tree, own, packages, listed, work, time_s)
        shutil.move(packed, into / packed.name)


def build(wanted: str, chosen: list[Target], into: Path) -> None:
    """Make a version.

    Raises:
        ReleaseError: the tree says another version, or a part can't be made.
    """
    if wanted != version():
        raise ReleaseError(f"version: found {wanted}; the tree says {version()}")
    if run(["git", "status", "--porcelain", "--", "release"], ROOT):
        raise ReleaseError("release/: has changes that are not committed")
    if run(["git", "status", "--porcelain"], ROOT):
        print("what is not committed is left out", file=sys.stderr)
    time_s = epoch_s()
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir(parents=True)
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        committed_tree(tree)
        own = build_python(tree, into, time_s)
        for target in chosen:
            build_target(target, tree, own, into, time_s)
    bundle.write_sums(into)
    for path in sorted(into.iterdir()):
        print(f"{path.stat().st_size / 1e6:8.2f} MB  {path.name}")


def main() -> None:
    parser = argparse.ArgumentParser(prog="release/build", description="Make a version in dist/.")
    parser.add_argument("--into", type=Path, default=ROOT / "dist", help="folder (default: dist)")
    parser.add_argument("version", help="as pyproject.toml says it")
    parser.add_argument("target", nargs="*", help="such as debian-12-x86_64 (default: all)")
    args = parser.parse_args()
    build(args.version, targets(args.target), args.into.resolve())


if __name__ == "__main__":
    sys.exit(end(main))

"""Writes the lock files anew: the newest versions that fit, with the hashes of their files.

    release/lock [--tools] [TARGET ...]    all targets; --tools: what makes a release, too

pip evaluates markers by the Python that runs it, so uv resolves for the target's Python and
machine, and pip downloads for it: what is locked is what the target would install.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import tomllib
from pathlib import Path

from . import debs, wheels
from .errors import end
from .files import run, sha256
from .targets import LOCKS, ROOT, Target, targets
from .tools import LOCK, WANTED, pip, tools

# What the service uses; pictures and JACK are the player's to add.
EXTRAS = ("alsa", "audio", "page")
HEADER = "# Written by release/lock; the packages of {}.\n"


def requirements() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    return [*project["dependencies"], *(line for name in EXTRAS for line in extras[name])]


def resolve(target: Target) -> list[tuple[str, str]]:
    """Return names and versions of all that the target needs, by name."""
    with tempfile.TemporaryDirectory() as folder:
        wanted = Path(folder) / "wanted.in"
        wanted.write_text("".join(f"{line}\n" for line in requirements()))
        command: list[str | Path] = [
            tools(),
            "-m",
            "uv",
            "pip",
            "compile",
            "-q",
            "--no-config",
            "--no-header",
        ]
        command += ["--no-annotate", "--no-emit-index-url", "--only-binary=:all:"]
        command += [f"--python-version={target.python}"]
        command += [f"--python-platform={target.machine}-manylinux_2_{target.glibc}", wanted]
        found = run(command)
    return [(name, number) for name, _, number in (s.partition("==") for s in found.split())]


def lock(target: Target) -> None:
    packages = [str(wheels.download(target, *package)) for package in resolve(target)]
    target.requirements.write_text(HEADER.format(target.name) + "\n".join(packages) + "\n")
    lines = [str(line) for line in debs.lacking(target)]
    target.debian_packages.write_text(HEADER.format(target.name) + "\n".join(lines) + "\n")
    print(f"{target.name}: {len(packages)} Python packages, {len(lines)} Debian packages")


def lock_tools() -> None:
    """Lock the newest tools; they run on the machine that makes a release."""
    with tempfile.TemporaryDirectory() as folder:
        run([sys.executable, *pip("download"), "--only-binary=:all:", "-d", folder, *WANTED])
        lines = []
        for wheel in sorted(Path(folder).iterdir()):
            name, number = wheel.name.split("-")[:2]
            lines.append(str(wheels.Locked(name.replace("_", "-"), number, sha256(wheel))))
    LOCK.write_text(HEADER.format("the tools that make a release") + "\n".join(lines) + "\n")
    print(f"tools: {len(lines)} Python packages")


def main() -> None:
    parser = argparse.ArgumentParser(prog="release/lock", description="Write the lock files anew.")
    parser.add_argument("--tools", action="store_true", help="lock the release's own tools, too")
    parser.add_argument("target", nargs="*", help="such as debian-12-x86_64 (default: all)")
    args = parser.parse_args()
    chosen = targets(args.target)
    LOCKS.mkdir(exist_ok=True)
    if args.tools:
        lock_tools()
    for target in chosen:
        lock(target)


if __name__ == "__main__":
    sys.exit(end(main))

"""Exit 0 if this interpreter has zerobeat from this tree with its test packages."""

from __future__ import annotations

import sys
import tomllib
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent


def missing() -> list[str]:
    """Return the requirements of the test extra that are not met."""
    lacking: list[str] = []
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for line in (*project["dependencies"], *project["optional-dependencies"]["test"]):
        wanted = Requirement(line)
        if wanted.marker is not None and not wanted.marker.evaluate():
            continue
        try:
            version = metadata.version(wanted.name)
        except metadata.PackageNotFoundError:
            lacking.append(line)
            continue
        if not wanted.specifier.contains(version, prereleases=True):
            lacking.append(line)
    return lacking


def main() -> int:
    import zerobeat

    here = ROOT / "daemon" / "zerobeat"
    if Path(zerobeat.__file__).resolve().parent != here:
        return 1
    return 1 if missing() else 0


if __name__ == "__main__":
    try:
        sys.exit(main())
    except ImportError:
        sys.exit(1)

"""Checks of the installation: do the parts that are here belong together?

``root`` is "/" except in tests.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path

from ..origin import VERSION, origin
from .check_result import MACHINE_ROOT, CheckResult, ok

OLDEST_PYTHON = (3, 11)
UNIT_FOLDERS = ("etc/systemd/system", "run/systemd/system", "usr/lib/systemd/system")
UNIT_NAME = "zerobeat.service"
# A requirement without an extra: a name and the least version (PEP 508).
REQUIREMENT = re.compile(r"([A-Za-z0-9._-]+)\s*(?:\(?>=\s*([0-9.]+))?")


def installation(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check Python, the packages it needs, and the service's own program."""
    yield ok("version", f"zerobeat {VERSION} ({origin()})")
    if sys.version_info < OLDEST_PYTHON:
        found = ".".join(map(str, sys.version_info[:2]))
        yield CheckResult("fault", "Python", f"found {found}; allowed: 3.11 or later")
    yield from packages()
    yield from service(root)


def packages() -> Iterator[CheckResult]:
    """Check that what pip was to install is here, and new enough."""
    try:
        wanted = requires("zerobeat") or []
    except PackageNotFoundError:
        return
    for requirement in wanted:
        matched = REQUIREMENT.match(requirement)
        if ";" in requirement or matched is None:  # an extra, or for another Python
            continue
        name, least = matched[1], matched[2] or "0"
        remedy = f"install zerobeat again, or: {sys.executable} -m pip install '{name}>={least}'"
        try:
            found = version(name)
        except PackageNotFoundError:
            yield CheckResult("fault", "packages", f"the Python package {name} is missing", remedy)
            continue
        if _numbers(found) < _numbers(least):
            text = f"the Python package {name} is {found}; allowed: {least} or later"
            yield CheckResult("fault", "packages", text, remedy)


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", text))


def service(root: Path = MACHINE_ROOT) -> Iterator[CheckResult]:
    """Check that one service is installed, that its program is there, and of this version."""
    units = [root / folder / UNIT_NAME for folder in UNIT_FOLDERS]
    units = [unit for unit in units if unit.exists()]
    if not units:
        return
    if len(units) > 1:
        text = f"installed twice: {', '.join(map(str, units))}; the first one plays"
        yield CheckResult("warning", "service", text, "remove one: docs/rig.md, or apt remove")
    try:
        named = re.search(r"^ExecStart=[-@:+!]*(\S+)", units[0].read_text(), re.MULTILINE)
    except OSError:
        return
    program = root / named[1].lstrip("/") if named else units[0]
    again = "install zerobeat again; systemd/README.md says how to go back"
    if named is None or not program.exists():
        text = f"{units[0]} starts {named[1] if named else 'nothing'}, which is not there"
        yield CheckResult("fault", "service", text, again)
        return
    found = _version_beside(program)
    if found and found != VERSION:
        text = f"plays version {found}; this command is version {VERSION}"
        yield CheckResult("warning", "service", text, "use the command that was installed with it")


def _version_beside(program: Path) -> str:
    """Return the version of zerobeat in the environment of a Python program, or ""."""
    for path in program.parent.parent.glob("lib/python3*/site-packages/zerobeat-*.dist-info"):
        return path.name.removeprefix("zerobeat-").removesuffix(".dist-info")
    return ""

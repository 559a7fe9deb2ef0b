"""Which tests run side by side when pytest-xdist has several workers.

A test in real time, with a JACK server of its own, waits for most of its time: several of them
run side by side, if their servers can't disturb each other (``isolate_shared_memory``). The other
tests compute. One worker takes all of those, so that they never keep more than one core from the
tests in real time, on whichever machine.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from xdist.scheduler import LoadScopeScheduling

from kit.isolation import isolate_shared_memory

ROOT = Path(__file__).resolve().parents[2]


@cache
def is_real_time(module: str) -> bool:
    """Return whether a test module, named by its path from the root, uses the kit's JACK server."""
    return "kit.jack" in (ROOT / module).read_text(encoding="utf-8")


class RealTimeBesideComputing(LoadScopeScheduling):  # type: ignore[misc]  # untyped library
    """Hands out tests in real time one by one, and all others as one piece of work."""

    def _split_scope(self, nodeid: str) -> str:
        if not is_real_time(nodeid.partition("::")[0]):
            return "computing"
        return nodeid if isolate_shared_memory() else "real time"

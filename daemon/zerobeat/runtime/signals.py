"""What the daemon's signals mean."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable


def take_signals(stop: Callable[[str], None], reload: Callable[[], None]) -> None:
    """Call ``stop`` with a signal's name, or ``reload``; both must only note it and wake the loop.

    SIGTERM and SIGINT stop. SIGHUP stops in a terminal, where it means that the terminal
    has closed; from a service manager it means "read the files again".
    """

    def stopped(number: int, frame: object) -> None:
        stop(signal.Signals(number).name)

    def hung_up(number: int, frame: object) -> None:
        reload()

    signal.signal(signal.SIGTERM, stopped)
    signal.signal(signal.SIGINT, stopped)
    signal.signal(signal.SIGHUP, stopped if sys.stdin and sys.stdin.isatty() else hung_up)

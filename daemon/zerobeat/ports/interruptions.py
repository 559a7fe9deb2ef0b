"""Lets a message that arrives interrupt long work of the thread that plays.

Reading a long request or writing a long answer is work on values that nobody changes. In such
work, ``with interruptions:``, a message is played at once, between two instructions of Python,
as a signal handler is run. Everywhere else it waits until the thread that plays asks for it.

The MIDI library's thread sends no signal: it marks one as arrived within this process, which
costs no system call. One that comes from outside does no harm.
"""

from __future__ import annotations

import _thread
import signal
from collections.abc import Callable
from types import TracebackType

SIGNAL = signal.SIGRTMIN


class Interruptions:
    """Whether the thread that plays may be interrupted now.

    Args:
        serve: plays what has arrived; it sets ``allowed`` to False while it does.

    Attributes:
        allowed: True within ``with``; MIDI callbacks read it.
    """

    def __init__(self, serve: Callable[[], None] = lambda: None) -> None:
        self.allowed = False
        self._serve = serve

    def listen(self) -> None:
        """From now on ``arrived`` interrupts; called once, on the thread that plays."""
        signal.signal(SIGNAL, self._interrupted)

    def arrived(self) -> None:
        """Interrupt, if that is allowed now; called on any thread behind each message."""
        if self.allowed:
            _thread.interrupt_main(SIGNAL)

    def _interrupted(self, number: int, frame: object) -> None:
        if self.allowed:
            self._serve()

    def __enter__(self) -> None:
        self.allowed = True
        self._serve()  # what arrived just before

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.allowed = False
        self._serve()

"""Lets a message that arrives interrupt long work of the thread that plays.

Reading a long request or writing a long answer is work on values that nobody changes. In such
work, ``with interruptions:``, a message is played at once, between two instructions of Python,
as a signal handler is run, and so is what becomes due. Everywhere else it waits until the
thread that plays asks for it.

The MIDI library's thread sends no signal: it marks one as arrived within this process, which
costs no system call. What becomes due sets a timer, but only if it does so soon. On JACK no
thread says that a message has come, so there a timer asks for a look, for as long as the work
lasts. A signal that comes from outside does no harm.
"""

from __future__ import annotations

import _thread
import math
import signal
import time
from collections.abc import Callable
from types import TracebackType

SIGNAL = signal.SIGRTMIN
SOON_S = 0.1  # no such work takes longer
WORK_LOOK_S = 0.00006  # a look takes a tenth of it


class Interruptions:
    """Whether the thread that plays may be interrupted now.

    Args:
        serve: plays what has arrived or is due; it sets ``allowed`` to False while it does.
        due_s: returns when something becomes due; None if nothing does.
        looks: nobody says that a message arrived, so it is looked for.

    Attributes:
        allowed: True within ``with``; MIDI callbacks read it.
    """

    def __init__(
        self,
        serve: Callable[[], None] = lambda: None,
        due_s: Callable[[], float | None] = lambda: None,
        looks: bool = False,
    ) -> None:
        self.allowed = False
        self._serve = serve
        self._due_s = due_s
        self._looks = looks
        self._listens = False
        self._timed = False

    def listen(self) -> None:
        """From now on ``arrived`` interrupts; called once, on the thread that plays."""
        signal.signal(SIGNAL, self._interrupted)
        signal.signal(signal.SIGALRM, self._interrupted)
        self._listens = True

    def arrived(self) -> None:
        """Interrupt, if that is allowed now; called on any thread behind each message."""
        if self.allowed:
            _thread.interrupt_main(SIGNAL)

    def _interrupted(self, number: int, frame: object) -> None:
        if self.allowed:
            self._serve()
            self._set_timer()

    def _set_timer(self) -> None:
        due_s = self._due_s()
        left_s = math.inf if due_s is None else max(due_s - time.monotonic(), 1e-6)
        if self._looks:
            left_s = min(left_s, WORK_LOOK_S)
        if left_s < SOON_S and self._listens:
            signal.setitimer(signal.ITIMER_REAL, left_s)
            self._timed = True

    def __enter__(self) -> None:
        self.allowed = True
        try:
            self._serve()  # what arrived just before
            self._set_timer()
        except BaseException:
            self.allowed = False
            raise

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.allowed = False
        if self._timed:
            self._timed = False
            signal.setitimer(signal.ITIMER_REAL, 0.0)
        self._serve()

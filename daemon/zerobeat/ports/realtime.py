"""Real-time scheduling and locked memory, requested from the kernel.

Both are requested and neither is needed: a refusal is logged and shown, with its
remedy, and the daemon plays all the same (requirement S3). Limits for
services are the unit's; ``limits.conf`` doesn't reach them.

The thread that plays and the MIDI library's own threads get the priority. Our other threads,
which wait for the disk or the log, get the next lower one: each holds the interpreter for
microseconds, and an ordinary one that the kernel stops in these would keep the thread that
plays from it until some other program has had its turn. Children go without.

Sources: sched(7), "Real-time scheduling" and "Privileges and resource limits";
mlockall(2).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading
from dataclasses import dataclass

from .patch import Backend

PRIORITY = 10  # of 1 to 99; above everything that asks for none, below the kernel's own threads
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4  # asm-generic/mman.h
_REMEDY = "the service's unit allows it; in a terminal: ulimit -r 20 -l 262144, as root"


@dataclass(frozen=True, slots=True)
class RealTime:
    """What was granted; an empty string, or why it was refused."""

    scheduling_refused: str = ""
    memory_refused: str = ""
    granted: str = ""

    @property
    def text(self) -> str:
        """One line for the player."""
        refused = [
            f"{what} refused ({why})"
            for what, why in (
                ("scheduling", self.scheduling_refused),
                ("memory lock", self.memory_refused),
            )
            if why
        ]
        if not refused:
            return f"real time: {self.granted} granted"
        return f"real time: {', '.join(refused)}; plays all the same. Remedy: {_REMEDY}"


def request_real_time(backend: Backend) -> RealTime:
    """Ask for both; call it again when a MIDI port was opened. Never raises.

    On JACK the server decides: the thread that plays goes just below the threads that the
    library runs for a real-time server, and stays as it is for one that is none. With more than
    the library's own, four of six runs of a test lost messages.
    """
    priority = PRIORITY
    if backend == "jack":
        priority = _of_jack() - 1
        if priority < 1:
            return RealTime("", _lock_memory(), "locked memory")
    threads = [threading.get_native_id()]
    if backend == "alsa":
        threads += _of_the_library()
    granted = f"priority {priority} and locked memory"
    refused = _schedule(threads, priority)
    others = (thread.native_id for thread in threading.enumerate())
    _schedule([n for n in others if n and n not in threads], max(1, priority - 1))
    return RealTime(refused, _lock_memory(), granted)


def _of_jack() -> int:
    """Return the priority of the library's threads, 0 if they have none."""
    found = 0
    for thread in _of_the_library():
        with contextlib.suppress(ProcessLookupError):  # it has ended since
            if os.sched_getscheduler(thread) & ~os.SCHED_RESET_ON_FORK != os.SCHED_OTHER:
                found = max(found, os.sched_getparam(thread).sched_priority)
    return found


def _of_the_library() -> list[int]:
    """Return the threads that the MIDI library has made, as the kernel counts them."""
    ours = {thread.native_id for thread in threading.enumerate()}
    return [int(name) for name in os.listdir("/proc/self/task") if int(name) not in ours]


def _schedule(threads: list[int], priority: int) -> str:
    """Give the ordinary ones of these threads priority; "" if it was granted."""
    policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
    why = ""
    for thread in threads:
        try:
            if os.sched_getscheduler(thread) & ~os.SCHED_RESET_ON_FORK == os.SCHED_OTHER:
                os.sched_setscheduler(thread, policy, os.sched_param(priority))
        except ProcessLookupError:  # it has ended since
            continue
        except OSError as error:
            why = (error.strerror or str(error)).lower()
    return why


def _lock_memory() -> str:
    """Keep what is in memory there, and what comes once it has come; "" if it was granted.

    ``MCL_ONFAULT``: without it every page of every library would be read in.
    """
    library = ctypes.CDLL(None, use_errno=True)
    if library.mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT) == 0:
        return ""
    return os.strerror(ctypes.get_errno()).lower()

"""Ends the process in time, whatever a library does.

A MIDI library that hangs while its clients are closed may hold the interpreter: then no line
of Python runs any more, no thread and no signal handler. So the end is a timer of the C
library, which calls ``_exit`` on a thread of its own.

Source: timer_create(2), sigevent(3type).
"""

from __future__ import annotations

import ctypes
import math
import time

PORTS_CLOSING_S = 3.0  # for the clients of the MIDI system at a stop
SIGEV_THREAD = 2  # bits/siginfo-consts.h


class _Sigevent(ctypes.Structure):
    _fields_ = (
        ("value", ctypes.c_void_p),  # a union of an int and a pointer
        ("signal", ctypes.c_int),
        ("notify", ctypes.c_int),
        ("function", ctypes.c_void_p),
        ("attributes", ctypes.c_void_p),
        ("rest", ctypes.c_char * 32),  # 64 bytes in all
    )


class _Times(ctypes.Structure):
    """``struct itimerspec``: the interval, and when it fires first."""

    _fields_ = tuple(
        (name, ctypes.c_long) for name in ("every_s", "every_ns", "first_s", "first_ns")
    )


def end_process_within(seconds: float, status: int) -> None:
    """End the process with this exit status unless it has ended by then; can't be taken back.

    Raises:
        OSError: no timer or thread is to be had.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    end = ctypes.cast(libc._exit, ctypes.c_void_p).value
    event = _Sigevent(value=status, notify=SIGEV_THREAD, function=end)
    timer = ctypes.c_void_p()
    part, whole = math.modf(seconds)
    times = _Times(first_s=int(whole), first_ns=int(1e9 * part))
    if (
        libc.timer_create(time.CLOCK_MONOTONIC, ctypes.byref(event), ctypes.byref(timer)) != 0
        or libc.timer_settime(timer, 0, ctypes.byref(times), None) != 0
    ):
        raise OSError(ctypes.get_errno(), "no timer")

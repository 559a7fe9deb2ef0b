"""A JACK server that has gone is waited for, by a process without the dead server's library.

That library's calls spin, holding the interpreter, once its server has died. So the daemon
keeps its state, starts itself anew under the same process number, and waits here. Marks of
what sounds stay in the runtime directory: once the server is back, those notes are released.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from typing import Literal, NamedTuple, get_args

from ..ports import notify
from ..ports.patch import jack_socket
from .journal import Journal

WAITING = "ZEROBEAT_WAITS_FOR_JACK"
Keeps = Literal["what played", "what was asked for"]
LOOK_EVERY_S = 0.1
LATE_S = 0.3  # a server that answers is not waited for
_PROBE = "import jack; jack.Client('zerobeat probe', no_start_server=True).close()"
LINE = "waiting for the JACK server"


class StartedAgain(NamedTuple):
    """What a process keeps of the one that it replaces.

    Args:
        keeps: which scene it plays: the one that played, or the one asked for at the start.
        rig_name: the rig whose state stays in use.
    """

    keeps: Keeps
    rig_name: str


def start_again(before: StartedAgain) -> None:
    """Replace this process by a fresh one that waits for the server. Does not return."""
    # libjack's sockets would stay open, and a server that goes on would take its clients for alive.
    for name in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):  # that of the list itself
            os.set_inheritable(int(name), int(name) <= 2)
    arguments = [sys.executable, *sys.orig_argv[1:]]
    os.execve(sys.executable, arguments, {**os.environ, WAITING: ":".join(before)})


def was_started_again() -> StartedAgain | None:
    """Return what a process that ``start_again`` made keeps, None in another.

    Its children don't inherit that.
    """
    keeps, _, rig_name = os.environ.pop(WAITING, "").partition(":")
    return None if keeps not in get_args(Keeps) else StartedAgain(keeps, rig_name)  # type: ignore[arg-type]  # one of them


def wait_for_server(journal: Journal) -> bool:
    """Return True once a JACK server answers, False after a signal to stop."""
    stopping: list[int] = []
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)
    before = [signal.signal(number, lambda n, frame: stopping.append(n)) for number in numbers]
    probe = ServerProbe()
    late_at_s = time.monotonic() + LATE_S
    while not stopping and not probe.answers():
        if time.monotonic() > late_at_s:
            late_at_s = float("inf")
            journal.log(LINE)
            notify.ready(LINE)
        notify.watchdog()
        time.sleep(LOOK_EVERY_S)
    probe.close()
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)
    return not stopping


class ServerProbe:
    """Asks whether a server answers, by one client at a time in a process of its own.

    A server that hangs lets a client wait for ever, and then has to get rid of it if it was
    killed meanwhile; so the probe is left waiting until the server answers or has gone.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def answers(self) -> bool:
        """Return True once it has answered."""
        if self._process is not None:
            status = self._process.poll()
            if status is not None:
                self._process = None
            return status == 0
        if not _socket_answers():
            return False
        with contextlib.suppress(OSError):  # no process is to be had
            self._process = subprocess.Popen(
                [sys.executable, "-c", _PROBE],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        return False

    def close(self) -> None:
        """End the probe, if it still waits."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()


def _socket_answers() -> bool:
    """Ask cheaply first: a socket that a killed server left behind refuses."""
    path = jack_socket()
    if path is None:
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as link:
        link.settimeout(LOOK_EVERY_S)
        try:
            link.connect(os.fspath(path))
        except OSError:
            return False
    return True

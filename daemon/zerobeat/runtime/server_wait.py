"""A JACK server that has gone is waited for, by a process without the dead server's library.

That library's calls spin, holding the interpreter, once its server has died. So the daemon
keeps its state, starts itself anew under the same process number, and waits here. Marks of
what sounds stay in the runtime directory: once the server is back, those notes are released.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time

from ..ports import notify
from ..ports.patch import jack_socket
from .journal import Journal

WAITING = "ZEROBEAT_WAITS_FOR_JACK"
LOOK_EVERY_S = 0.3
PROBE_SERVER_S = 3.0  # a server that hangs lets a client wait for ever
_PROBE = "import jack; jack.Client('zerobeat probe', no_start_server=True).close()"
LINE = "waiting for the JACK server"


def start_again() -> None:
    """Replace this process by a fresh one that waits for the server. Does not return."""
    os.environ[WAITING] = "1"
    os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])


def was_started_again() -> bool:
    """True in a process that ``start_again`` made; its children don't inherit that."""
    return os.environ.pop(WAITING, "") != ""


def wait_for_server(journal: Journal) -> bool:
    """Return True once a JACK server answers, False after a signal to stop."""
    stopping: list[int] = []
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGQUIT)
    before = [signal.signal(number, lambda n, frame: stopping.append(n)) for number in numbers]
    if not _answers():
        journal.log(LINE)
        notify.ready(LINE)
        while not stopping and not _answers():
            notify.watchdog()
            time.sleep(LOOK_EVERY_S)
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)
    return not stopping


def _answers() -> bool:
    """Ask cheaply first: a socket that a killed server left behind refuses."""
    path = jack_socket()
    if path is None:
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC) as link:
        link.settimeout(PROBE_SERVER_S)
        try:
            link.connect(os.fspath(path))
        except OSError:
            return False
    try:
        done = subprocess.run(
            [sys.executable, "-c", _PROBE],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=PROBE_SERVER_S,
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0

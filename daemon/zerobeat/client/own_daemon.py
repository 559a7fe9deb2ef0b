"""Runs a daemon for the duration of one command."""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..errors import ControlError
from .daemon_client import Client

DAEMON_START_S = 15.0
PR_SET_PDEATHSIG = 1  # linux/prctl.h
_LIBC = ctypes.CDLL(None)


@contextlib.contextmanager
def own_daemon(rig: Path) -> Iterator[Client]:
    """Start ``zerobeat run`` and yield a client; stop it afterwards, every note released."""
    with tempfile.TemporaryFile() as output:
        process = subprocess.Popen(
            [sys.executable, "-m", "zerobeat", "run", os.fspath(rig)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            start_new_session=True,  # Ctrl-C is for the command, which then ends this one
            preexec_fn=_end_with_the_command,  # noqa: PLW1509 - one prctl, before any thread
        )
        try:
            yield _first_client(process, output)
        finally:
            process.terminate()
            try:
                process.wait(5.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _end_with_the_command() -> None:
    """Have the kernel stop this process when its parent is killed (prctl(2))."""
    _LIBC.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)


def _first_client(process: subprocess.Popen[bytes], output: Any) -> Client:
    end_s = time.monotonic() + DAEMON_START_S
    while process.poll() is None and time.monotonic() < end_s:
        with contextlib.suppress(ControlError):
            return Client(role="measure")
        time.sleep(0.1)
    output.seek(0)
    lines = output.read().decode(errors="backslashreplace").strip().splitlines()
    raise ControlError(f"zerobeat does not start: {lines[-1] if lines else 'it says nothing'}")

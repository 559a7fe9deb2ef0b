"""Messages to systemd: ready, a line of status, alive, stopping; requests for other units.

Without systemd's environment every function does nothing.

Source: sd_notify(3), "Notes": one datagram, lines of KEY=VALUE, to the Unix
socket named in NOTIFY_SOCKET; a leading @ stands for the abstract name space.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
from collections.abc import Sequence
from pathlib import Path

from ..runtime_directory import PAGE_FILE

TOUCH_UP_FILE = "touchup.wanted"
FOLLOW_FILE = "follow.wanted"


def notify(state: str) -> bool:
    """Send lines of ``KEY=VALUE``; False if that fails. Never raises, never waits."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    kind = socket.SOCK_DGRAM | socket.SOCK_NONBLOCK | socket.SOCK_CLOEXEC
    try:
        with socket.socket(socket.AF_UNIX, kind) as channel:
            channel.sendto(state.encode("utf-8", "replace"), address)
    except OSError:
        return False
    return True


def ready(status: str = "") -> bool:
    """Say that the daemon plays; with a first line of status."""
    return notify("READY=1" + _status(status))


def status(text: str) -> bool:
    """Show a line in ``systemctl status``."""
    return notify(_status(text).lstrip("\n"))


def watchdog() -> bool:
    """Say that the loop is alive."""
    return notify("WATCHDOG=1")


def stopping(status: str = "") -> bool:
    """Say that the daemon ends."""
    return notify("STOPPING=1" + _status(status))


def _status(text: str) -> str:
    return f"\nSTATUS={' '.join(text.split())}" if text else ""


def watchdog_interval_s() -> float | None:
    """Return within how many seconds systemd wants to hear ``watchdog``; None if it does not.

    Source: sd_watchdog_enabled(3): WATCHDOG_USEC in microseconds, for WATCHDOG_PID only.
    """
    try:
        if int(os.environ.get("WATCHDOG_PID", os.getpid())) != os.getpid():
            return None
        interval_us = int(os.environ["WATCHDOG_USEC"])
    except (KeyError, ValueError):
        return None
    return interval_us / 1e6 if interval_us > 0 else None


def request_touch_up() -> bool:
    """Make the file that a path unit waits for; False if that fails. Never raises.

    The daemon's sandbox has no sound card: the path unit starts the unit that has one. In a
    terminal nothing is made; a client sees the request in the status.
    """
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if not folder:
        return False
    with contextlib.suppress(OSError):
        (Path(folder) / TOUCH_UP_FILE).touch()
        return True
    return False


def request_follow(folder: Path, enabled: bool) -> None:
    """Make the file that follow's path unit waits for, or remove it.

    Raises:
        OSError: the folder has gone, or is full.
    """
    if enabled:
        (folder / FOLLOW_FILE).touch()
    else:
        (folder / FOLLOW_FILE).unlink(missing_ok=True)


def request_page(folder: Path, enabled: bool, addresses: Sequence[str], commands: bool) -> None:
    """Make the file that the page's path unit waits for, with what the rig says; or remove it.

    Raises:
        OSError: the folder has gone, or is full.
    """
    path = folder / PAGE_FILE
    if not enabled:
        path.unlink(missing_ok=True)
        return
    temporary = path.with_suffix(".tmp")
    temporary.write_text(json.dumps({"addresses": list(addresses), "commands": commands}))
    temporary.replace(path)

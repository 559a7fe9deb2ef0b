"""What a running daemon shows, for commands that also do without one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..errors import NotRunningError
from .daemon_client import Client


def status_if_any(socket: Path | None) -> dict[str, Any] | None:
    """Return the status of the daemon that plays; None if none does.

    Args:
        socket: where one was said to be; then it has to be there.
    """
    try:
        with Client(socket, role="view") as client:
            return client.status()
    except NotRunningError:
        if socket is not None:
            raise
        return None

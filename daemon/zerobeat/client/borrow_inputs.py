"""Borrows the audio inputs from ``zerobeat follow`` for as long as a connection lasts."""

from __future__ import annotations

import time

from ..errors import CommandError
from .daemon_client import Client

BORROW_WITHIN_S = 2.0  # follow gives them up within half a second
ASK_EVERY_S = 0.05


def borrow_inputs(client: Client) -> bool:
    """Wait until follow has given the audio inputs up; return whether it has.

    They are given back when the client is closed. A daemon without follow has none to lend.
    """
    end_s = time.monotonic() + BORROW_WITHIN_S
    try:
        while client.ask("borrow_inputs").get("said") != "free":
            if time.monotonic() > end_s:
                return False
            time.sleep(ASK_EVERY_S)
    except CommandError:  # an older daemon, or a role that may not
        return True
    return True

"""What the rig says about the page, as the daemon writes it into its runtime directory."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from ..runtime_directory import PAGE_FILE

LARGEST_SETTINGS = 4096
USUAL_ADDRESS = "127.0.0.1:8080"


@dataclass(frozen=True, slots=True)
class ServedSettings:
    """Where the page is served, and whether phones may give commands."""

    addresses: tuple[str, ...] = (USUAL_ADDRESS,)
    commands: bool = True


def read_served_settings(folder: Path) -> ServedSettings | None:
    """Return the settings; None where the daemon has written none: its rig wants no page."""
    try:
        with (folder / PAGE_FILE).open() as file:
            values = json.loads(file.read(LARGEST_SETTINGS))
        addresses = tuple(str(address) for address in values["addresses"])
        return ServedSettings(addresses, bool(values["commands"]))
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None


def split_address(address: str) -> tuple[str, int]:
    """Return host and port.

    >>> split_address("[fd00::1]:8080")
    ('fd00::1', 8080)
    """
    host, _, port = address.rpartition(":")
    return host.strip("[]"), int(port)

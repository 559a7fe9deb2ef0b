"""The path of the state directory, and the rig read together with it."""

from __future__ import annotations

import os
from pathlib import Path

from ..config.rig import LoadedRig, read_rig
from .store import Store

SERVICE_STATE = Path("/var/lib/zerobeat")  # systemd's StateDirectory=zerobeat


def state_directory() -> Path:
    """Return the directory that the daemon writes its files to.

    systemd gives ``STATE_DIRECTORY`` (the first, if it lists several); in a
    terminal it is ``zerobeat`` in the XDG state home.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    # XDG Base Directory Specification: an unset, empty or relative path counts as unset.
    home = os.environ.get("XDG_STATE_HOME", "")
    base = Path(home) if os.path.isabs(home) else Path.home() / ".local" / "state"
    return base / "zerobeat"


def own_store() -> Store:
    """Return the store in the state directory; no file is touched."""
    return Store(state_directory())


def load_rig(path: str | Path, store: Store | None = None) -> LoadedRig:
    """Return a rig with the scenes and profiles that the daemon stored for it.

    Args:
        path: the rig file.
        store: where they are stored; None means our own state directory.

    Raises:
        ConfigError: as for ``config.rig.read_rig``.
    """
    return read_rig(path, store or own_store())

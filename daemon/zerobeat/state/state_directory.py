"""Where the daemon keeps what it writes itself, and the rig read together with it."""

from __future__ import annotations

import os
from pathlib import Path

from ..config import rig
from ..config.rig import LoadedRig
from .store import Store


def state_directory() -> Path:
    """Return where the daemon keeps what it writes itself.

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
    """Return a rig with what the daemon stored for it; None means in our own state directory.

    Raises:
        ConfigError: as for ``config.rig.load_rig``.
    """
    return rig.load_rig(path, store or own_store())

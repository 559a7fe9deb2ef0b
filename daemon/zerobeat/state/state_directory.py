"""Where the daemon keeps what it writes itself, and the rig read together with it.

A rig with a ``name:`` has a folder of its own in the state directory, ``rigs/NAME``, whatever
its file is called and wherever it stands; a rig without one has the state directory itself.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import yaml

from ..config.rig import LoadedRig, is_rig_name, read_rig
from ..config.yaml_source import read_bytes
from ..errors import ConfigError
from .store import Store

SERVICE_STATE = Path("/var/lib/zerobeat")  # systemd's StateDirectory=zerobeat
RIGS = "rigs"
_NAME_LINE = re.compile(r"^name[ \t]*:[ \t]+(\S.*)$", re.MULTILINE)


def state_directory(rig_name: str = "") -> Path:
    """Return where the daemon keeps what it writes itself, for a rig of this name.

    systemd gives ``STATE_DIRECTORY`` (the first, if it lists several); in a
    terminal it is ``zerobeat`` in the XDG state home.
    """
    base = _base()
    return base / RIGS / rig_name if rig_name else base


def _base() -> Path:
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


def name_of_rig(path: str | Path) -> str | None:
    """Return what a rig calls itself; "" without a name, None if that can't be read.

    A name is found also where other lines of the file are broken.
    """
    try:
        text = read_bytes(Path(path)).decode()
    except (ConfigError, ValueError):
        return None
    found = _NAME_LINE.search(text)
    try:
        if found is None:
            return "" if isinstance(yaml.compose(text, yaml.SafeLoader), yaml.Node) else None
        node = yaml.compose(found[1], yaml.SafeLoader)
    except (yaml.YAMLError, RecursionError):
        return None
    if not isinstance(node, yaml.ScalarNode) or not is_rig_name(node.value):
        return None
    return str(node.value)


def load_rig(
    path: str | Path, store: Store | None = None, store_of: str | None = None
) -> LoadedRig:
    """Return a rig with the scenes and profiles that the daemon stored for it.

    Args:
        path: the rig file.
        store: where they are stored; None means our own state directory, by the rig's name.
        store_of: the name of the rig whose store that is; None if that does not matter.

    Raises:
        ConfigError: as for ``config.rig.read_rig``.
    """
    if store is None:
        name = name_of_rig(path) or ""
        loaded = read_rig(path, Store(state_directory(name)))
        if loaded.name != name:
            loaded = read_rig(path, Store(state_directory(loaded.name)))
        return loaded
    loaded = read_rig(path, store)
    if store_of not in (None, loaded.name):
        loaded.warnings.append(
            f"{path}: name: found {loaded.name or 'none'}; the state of "
            f"{store_of or 'a rig without a name'} stays in use until the next start"
        )
    return loaded

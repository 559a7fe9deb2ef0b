"""Stores a measured profile: through the running daemon, or in its state directory."""

from __future__ import annotations

from pathlib import Path

from ..client.daemon_client import Client
from ..config.profile_file import Profile, profile_to_yaml, profile_values
from ..config.rig import LoadedRig
from ..errors import ControlError, MeasureError
from ..runtime_directory import Lock, make_runtime_directory, runtime_directory
from ..state.state_directory import state_directory
from ..state.store import Store


def keep_profile(
    loaded: LoadedRig, profile: Profile, socket: Path | None = None, store: Store | None = None
) -> str:
    """Store a profile through the daemon, or without one in the state directory.

    Args:
        loaded: the rig.
        profile: what was measured.
        socket: of the daemon; None looks in the usual places.
        store: of the daemon that the rig was read from; None is our own.

    Returns:
        A line for the player that says where.

    Raises:
        MeasureError: the rig says ``profile: none`` for this voice.
        CommandError, StoreError: it could not be stored; the old one is intact.
    """
    client = _running_daemon(socket)
    if client is not None:
        with client:
            answer = client.ask("put_profile", voice=profile.voice, profile=profile_values(profile))
        return str(answer.get("said", "kept"))
    before = loaded.profiles.get(profile.voice)
    with _DaemonLock():
        path = (store or Store(state_directory(loaded.name))).save(
            "profiles",
            _stored_name(loaded, profile.voice),
            profile_to_yaml(profile),
            None if before is None else profile_to_yaml(before),
        )
    return f"kept as the profile of {profile.voice}: {path}"


def undo_profile(loaded: LoadedRig, voice: str, socket: Path | None = None) -> str:
    """Restore the previous profile; a second call restores the last one again.

    Returns:
        A line for the player.

    Raises:
        CommandError, StoreError: there is none, or it could not be stored.
    """
    client = _running_daemon(socket)
    if client is not None:
        with client:
            return str(client.ask("undo_profile", voice=voice).get("said", "done"))
    with _DaemonLock():
        store = Store(state_directory(loaded.name))
        path = store.undo("profiles", _stored_name(loaded, voice))
    return f"{voice} has its profile before back: {path}"


def _stored_name(loaded: LoadedRig, voice: str) -> str:
    name = loaded.profile_files.get(voice, voice)
    if not name:
        raise MeasureError(f"{voice}: the rig says profile: none; take that line out to keep one")
    return name


def _running_daemon(socket: Path | None) -> Client | None:
    """Return a connection to the running daemon; None if none runs."""
    try:
        return Client(socket, role="measure")
    except ControlError:
        if socket is not None:
            raise
        return None


class _DaemonLock:
    """Holds the daemon's lock, so that no daemon starts while its files are written."""

    def __enter__(self) -> None:
        folder = runtime_directory()
        make_runtime_directory(folder)
        self._lock = Lock(folder)

    def __exit__(self, *_: object) -> None:
        self._lock.close()

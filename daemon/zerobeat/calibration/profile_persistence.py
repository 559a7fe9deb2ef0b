"""Keeping a measured profile: through the daemon that plays, or in its files without one."""

from __future__ import annotations

from pathlib import Path

from ..client.daemon_client import Client
from ..config.profile_file import Profile, profile_to_yaml, profile_values
from ..config.rig import LoadedRig
from ..errors import ControlError, MeasureError
from ..runtime_directory import Lock, make_runtime_directory, runtime_directory
from ..state.state_directory import state_directory
from ..state.store import Store


def keep(loaded: LoadedRig, profile: Profile, socket: Path | None = None) -> str:
    """Store a profile through the daemon, or without one in the state directory.

    Returns:
        A line that says where.

    Raises:
        MeasureError: the rig says ``profile: none`` for this voice.
        CommandError, StoreError: it could not be stored; what was there is still there.
    """
    client = _daemon(socket)
    if client is not None:
        with client:
            answer = client.ask("put_profile", voice=profile.voice, profile=profile_values(profile))
        return str(answer.get("said", "kept"))
    before = loaded.profiles.get(profile.voice)
    with _alone():
        path = Store(state_directory()).save(
            "profiles",
            _stored_name(loaded, profile.voice),
            profile_to_yaml(profile),
            None if before is None else profile_to_yaml(before),
        )
    return f"kept as the profile of {profile.voice}: {path}"


def undo(loaded: LoadedRig, voice: str, socket: Path | None = None) -> str:
    """Bring back the profile before the last; a second time brings the last one back.

    Raises:
        CommandError, StoreError: there is none, or it could not be stored.
    """
    client = _daemon(socket)
    if client is not None:
        with client:
            return str(client.ask("undo_profile", voice=voice).get("said", "done"))
    with _alone():
        path = Store(state_directory()).undo("profiles", _stored_name(loaded, voice))
    return f"{voice} has its profile before back: {path}"


def _stored_name(loaded: LoadedRig, voice: str) -> str:
    name = loaded.profile_files.get(voice, voice)
    if not name:
        raise MeasureError(f"{voice}: the rig says profile: none; take that line out to keep one")
    return name


def _daemon(socket: Path | None) -> Client | None:
    """Return a connection to the daemon that plays; None if none does."""
    try:
        return Client(socket, role="measure")
    except ControlError:
        if socket is not None:
            raise
        return None


class _alone:
    """Holds the daemon's lock, so that none starts while its files are written."""

    def __enter__(self) -> None:
        folder = runtime_directory()
        make_runtime_directory(folder)
        self._lock = Lock(folder)

    def __exit__(self, *_: object) -> None:
        self._lock.close()

"""All that the daemon stores: scenes, profiles, the session, learned bindings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ..config.rig import LoadedRig
from ..engine.commands import Command
from ..engine.engine import Engine
from ..ports.deferred_answer import Later
from .disk import Storing, Values
from .journal import Journal
from .learned_bindings import Learning
from .profile_commands import ProfileCommands
from .startup_state import Evening
from .store_commands import StoreCommands


class Stores:
    """The disk and the commands that write to it.

    Args:
        evening: what the last session left.
        engine: that plays.
        loaded: what the rig's files say.
        folder: of the rig's file.
        act: hands a command to the engine; raises ``CommandError``.
        changed: called when a file of the rig's has changed.
        journal: for what the disk refuses.

    Attributes:
        disk: for the loop to wait for, step and stop.
        scenes: for a foot that stores.
        known: what serves each command of the socket.
    """

    def __init__(
        self,
        evening: Evening,
        engine: Engine,
        loaded: LoadedRig,
        folder: Path,
        act: Callable[[Command], None],
        changed: Callable[[], None],
        journal: Journal,
    ) -> None:
        self.disk = Storing(evening, engine, journal)
        self.disk.note((*evening.state.lines, *loaded.warnings, *evening.lines))
        self.scenes = StoreCommands(self.disk, engine, loaded, folder, act, changed)
        self._profiles = ProfileCommands(self.disk, engine, loaded, act, changed)
        self.known: dict[str, Callable[[Values], Later]] = {
            **self.scenes.known,
            **self._profiles.known,
            **Learning(self.disk, engine, act, journal).known,
        }

    def use(self, loaded: LoadedRig) -> None:
        """Take a reloaded rig."""
        self.disk.note(loaded.warnings)
        self.scenes.use(loaded)
        self._profiles.use(loaded)

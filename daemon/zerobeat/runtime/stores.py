"""The parts that store scenes, profiles, the session and learned bindings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from ..config.rig import LoadedRig
from ..engine.commands import Command
from ..engine.engine import Engine
from ..json_value import JsonObject
from ..ports.deferred_answer import DeferredAnswer
from ..ports.interruptions import Interruptions
from .journal import Journal
from .learned_bindings import LearnedBindings
from .persistence import Persistence
from .profile_commands import ProfileCommands
from .startup_state import StartupState
from .store_commands import StoreCommands


class Stores:
    """The disk and the commands that write to it.

    Args:
        startup: what the last session left.
        engine: that plays.
        loaded: what the rig's files say.
        folder: of the rig's file.
        act: hands a command to the engine; raises ``CommandError``.
        changed: called when a file of the rig's has changed.
        journal: for what the disk refuses.
        interruptions: what MIDI may interrupt.

    Attributes:
        disk: for the loop to wait for, step and stop.
        scenes: for a pedal that stores.
        known: the handler of each socket command.
    """

    def __init__(
        self,
        startup: StartupState,
        engine: Engine,
        loaded: LoadedRig,
        folder: Path,
        act: Callable[[Command], None],
        changed: Callable[[], None],
        journal: Journal,
        interruptions: Interruptions,
    ) -> None:
        self.disk = Persistence(startup, engine, journal, interruptions)
        self.disk.note((*startup.state.lines, *loaded.warnings, *startup.lines))
        self.scenes = StoreCommands(self.disk, engine, loaded, folder, act, changed, interruptions)
        self._profiles = ProfileCommands(self.disk, engine, loaded, act, changed)
        self.known: dict[str, Callable[[JsonObject], DeferredAnswer]] = {
            **self.scenes.known,
            **self._profiles.known,
            **LearnedBindings(self.disk, engine, act, journal).known,
        }

    def use(self, loaded: LoadedRig) -> None:
        """Use a reloaded rig."""
        self.disk.note(loaded.warnings)
        self.scenes.use(loaded)
        self._profiles.use(loaded)

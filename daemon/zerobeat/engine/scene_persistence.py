"""Live settings into a stored scene, and back to it."""

from __future__ import annotations

from dataclasses import replace

from ..errors import CommandError
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import Outputs
from .live_settings import Live
from .settings import Scene
from .undo import ChangeHistory


class ScenePersistence:
    """Takes stored scenes into the bank, and says what a store keeps."""

    def __init__(self, shared: EngineState, live: Live, undo: ChangeHistory) -> None:
        self._shared = shared
        self._live = live
        self._undo = undo

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about stored scenes."""
        table.add(commands.SceneStored, self._stored)
        table.add(commands.Revert, self._revert, self._check_revert)

    def to_store(self, name: str) -> Scene:
        """Return what a store under a name puts on the disk: what the player last asked for.

        A stored scene keeps its program; one with a new name has none.

        Raises:
            CommandError: another scene waits; nobody could say whose settings these are.
        """
        shared = self._shared
        waiting = shared.waiting_scene
        if waiting is not None and waiting.name != shared.scene.name:
            raise CommandError(
                f"scene {waiting.name} waits; let it land, or cancel it, and store again"
            )
        stored = shared.bank.get(name)
        program, bank = (None, None) if stored is None else (stored.program, stored.bank)
        return replace(self._live.wanted(), name=name, program=program, bank=bank)

    def _stored(self, command: commands.SceneStored, outputs: Outputs) -> None:
        shared = self._shared
        scene = command.scene
        shared.bank = {**shared.bank, scene.name: scene}
        if command.of is None:
            return
        if command.of != scene.name:
            self._undo.forget()  # what was wanted before has another name
        waiting = shared.waiting_scene
        if waiting is not None and waiting.name == command.of:
            shared.waiting_scene = _named_as(waiting, scene)
        if shared.scene.name == command.of:
            shared.base_scene = _named_as(shared.base_scene, scene)
            shared.scene = shared.layers.scene(shared.base_scene)

    def _check_revert(self, command: commands.Revert) -> Scene:
        """Return the stored scene of what is wanted; a rig without scenes has the plain one."""
        name = self._live.wanted().name
        stored = self._shared.bank.get(name)
        if stored is None and name != Scene().name:
            raise CommandError(f"scene {name} is not stored any more; recall another")
        return stored or Scene()

    def _revert(self, command: commands.Revert, outputs: Outputs) -> None:
        stored = self._check_revert(command)
        self._live.want_back(stored, outputs)


def _named_as(scene: Scene, stored: Scene) -> Scene:
    return replace(scene, name=stored.name, program=stored.program, bank=stored.bank)

"""Live settings into a stored scene, and back to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..errors import CommandError
from . import commands
from .ledger import Outputs
from .live_settings import AT_ONCE
from .settings import Scene

if TYPE_CHECKING:
    from .engine import Engine


def handlers(engine: Engine) -> dict[type, Callable[[Any, str, Outputs], None]]:
    """Return what serves each command about stored scenes."""
    return {
        commands.SceneStored: lambda command, source, outputs: _stored(engine, command),
        commands.Revert: lambda command, source, outputs: _revert(engine, outputs),
    }


def scene_to_store(engine: Engine, name: str) -> Scene:
    """Return what a store under a name puts on the disk: what the player last asked for.

    A stored scene keeps its program; one with a new name has none.

    Raises:
        CommandError: another scene waits; nobody could say whose settings these are.
    """
    live = engine.live
    waiting = live.waiting_scene
    if waiting is not None and waiting.name != live.scene.name:
        raise CommandError(
            f"scene {waiting.name} waits; let it land, or cancel it, and store again"
        )
    stored = live.bank.get(name)
    program, bank = (None, None) if stored is None else (stored.program, stored.bank)
    return replace(live.wanted(), name=name, program=program, bank=bank)


def _stored(engine: Engine, command: commands.SceneStored) -> None:
    live = engine.live
    scene = command.scene
    live.bank = {**live.bank, scene.name: scene}
    if command.of is None:
        return
    names = {"name": scene.name, "program": scene.program, "bank": scene.bank}
    waiting = live.waiting_scene
    if waiting is not None and waiting.name == command.of:
        live.waiting_scene = replace(waiting, **names)
    if live.scene.name == command.of:
        live.scene = replace(live.scene, **names)


def _revert(engine: Engine, outputs: Outputs) -> None:
    live = engine.live
    name = live.wanted().name
    stored = live.bank.get(name)
    if stored is None and name != Scene().name:
        raise CommandError(f"scene {name} is not stored any more; recall another")
    stored = stored or Scene()  # a rig without scenes starts from the plain one
    live.want(stored, outputs)
    if live.waiting_scene is None:
        return
    own, wanted = replace(live.scene, voices={}), replace(stored, voices={})
    at_once = {name: getattr(stored, name) for name in AT_ONCE}
    if replace(own, **at_once) == wanted:  # only what rules at once may differ
        live.use(replace(live.scene, **at_once))
        live.triggers.rule_all()
        live.waiting_scene = None

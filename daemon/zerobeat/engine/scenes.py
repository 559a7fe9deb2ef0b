"""Which scene is meant: by program and bank, by a step in the set list, by name.

A recall that means no scene changes nothing; its ``CommandError`` names what
was asked for (requirement F4).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from ..errors import CommandError
from . import commands
from .ledger import Outputs
from .settings import Scene
from .voice import Source

if TYPE_CHECKING:
    from .engine import Engine

BANK_MSB, BANK_LSB = 0, 32  # MIDI 1.0 Detailed Specification, Bank Select
LONGEST_SET_LIST = 200


def program_text(program: int, numbers_from: int) -> str:
    """Return a program as the player counts it and as on the wire (requirement F1).

    >>> program_text(4, 1)
    'program 5 (wire 4)'
    """
    return f"program {program + numbers_from} (wire {program})"


class Scenes:
    """Finds scenes; ``Live`` makes them sound."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._banks: dict[Source, tuple[int, int]] = {}
        self._index: int | None = None  # of the scene last played of the set list

    def handlers(self) -> dict[type, Callable[[Any, str, Outputs], None]]:
        """Return what serves each command about scenes to recall."""
        return {
            commands.RecallScene: self._recall,
            commands.RecallProgram: self._recall_program,
            commands.StepScene: self._step,
            commands.SetList: self._set_list,
        }

    # ------------------------------------------------------------ programs

    def bank_select(self, place: Source, controller: int, value: int) -> None:
        """Remember one half of a bank, in either order; it counts at the next program (F2)."""
        msb, lsb = self._banks.get(place, (0, 0))
        self._banks[place] = (value, lsb) if controller == BANK_MSB else (msb, value)

    def bank_of(self, place: Source) -> int:
        """Return the bank last selected on a channel of an input, 14 bits; 0 at first."""
        msb, lsb = self._banks.get(place, (0, 0))
        return msb << 7 | lsb

    def forget(self, name: str) -> None:
        """Forget the banks of an input that is lost."""
        self._banks = {place: bank for place, bank in self._banks.items() if place[0] != name}

    def of_program(self, program: int, bank: int | None) -> Scene:
        """Return the scene of a program: that of the very bank, else one for any bank.

        Raises:
            CommandError: there is none.
        """
        found = [scene for scene in self._engine.live.bank.values() if scene.program == program]
        for scene in found:
            if scene.bank == bank:
                return scene
        for scene in found:
            if bank is None or scene.bank is None:
                return scene
        text = program_text(program, self._engine.rig.program_numbers_from)
        raise CommandError(f"no scene for {text}{f' of bank {bank}' if bank else ''}")

    def _recall(self, command: commands.RecallScene, source: str, outputs: Outputs) -> None:
        live = self._engine.live
        waiting = live.waiting_scene
        name = command.name
        here = self.position
        if waiting is None or waiting.name != name:
            live.recall(command, source, outputs)  # a repeat of what waits changes nothing (F3)
        place = self._position(name)
        if place is None:
            place = here  # where the list is left, to go on from there
        self._index = self._index if place is None else place

    def _recall_program(
        self, command: commands.RecallProgram, source: str, outputs: Outputs
    ) -> None:
        scene = self.of_program(command.program, command.bank)
        self._engine.do(commands.RecallScene(scene.name), outputs)

    # ------------------------------------------------------------ the set list

    @property
    def set_list(self) -> tuple[str, ...]:
        """The order in force: tonight's, else the rig's, else all scenes; none that is missing."""
        live = self._engine.live
        wanted = live.tonight.set_list or self._engine.rig.set_list
        return tuple(name for name in wanted if name in live.bank) or tuple(live.bank)

    @property
    def position(self) -> int | None:
        """Where the scene that waits, else plays, stands in the set list; None: not in it."""
        live = self._engine.live
        return self._position((live.waiting_scene or live.scene).name)

    def _position(self, name: str) -> int | None:
        order = self.set_list
        index = self._index
        if index is not None and index < len(order) and order[index] == name:
            return index  # the same scene twice in a list: the one that was stepped to
        return order.index(name) if name in order else None

    def _step(self, command: commands.StepScene, source: str, outputs: Outputs) -> None:
        order = self.set_list
        if not order:
            raise CommandError("the set list is empty; the rig lists no scenes")
        here = self.position
        if here is None:
            here = self._index  # a scene that is not in the list was played in between
        if here is None:
            here = -1 if command.steps > 0 else 1
        following = here + command.steps
        if self._engine.rig.set_list_ends == "wrap":
            following %= len(order)
        elif not 0 <= following < len(order):
            end = "last" if command.steps > 0 else "first"
            name = order[-1 if command.steps > 0 else 0]
            raise CommandError(f"{name} is the {end} of the set list")
        self._index = following
        self._engine.do(commands.RecallScene(order[following]), outputs)

    def _set_list(self, command: commands.SetList, source: str, outputs: Outputs) -> None:
        live = self._engine.live
        if len(command.scenes) > LONGEST_SET_LIST:
            raise CommandError(
                f"set_list: found {len(command.scenes)} scenes; allowed: up to {LONGEST_SET_LIST}"
            )
        for name in command.scenes:
            if name not in live.bank:
                allowed = ", ".join(live.bank) or "none stored"
                raise CommandError(f"set_list: found {name!r}; allowed: {allowed}")
        self._index = None
        live.tonight = replace(live.tonight, set_list=command.scenes)

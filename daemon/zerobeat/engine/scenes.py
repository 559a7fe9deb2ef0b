"""Which scene is meant: by program and bank, by a step in the set list, by name.

A recall that means no scene changes nothing; its ``CommandError`` names what
was asked for (requirement F4).
"""

from __future__ import annotations

from dataclasses import replace

from ..errors import CommandError, one_of
from ..midi import BANK_MSB
from . import commands
from .dispatch import Dispatcher
from .engine_state import EngineState
from .ledger import Outputs
from .live_settings import Live
from .settings import Scene
from .voice import Source

LONGEST_SET_LIST = 200


def program_text(program: int, numbers_from: int) -> str:
    """Return a program as the player counts it and as on the wire (requirement F1).

    >>> program_text(4, 1)
    'program 5 (wire 4)'
    """
    return f"program {program + numbers_from} (sent as {program})"


class Scenes:
    """Finds scenes; ``Live`` makes them sound."""

    def __init__(self, shared: EngineState, live: Live) -> None:
        self._shared = shared
        self._live = live
        self._banks: dict[Source, tuple[int, int]] = {}
        self._index: int | None = None  # of the scene last played of the set list

    def add_to(self, table: Dispatcher) -> None:
        """Handle the commands about scenes to recall."""
        table.add(commands.RecallScene, self._recall, self._check_recall)
        table.add(commands.RecallProgram, self._recall_program, self._check_program)
        table.add(commands.StepScene, self._step, self._check_step)
        table.add(commands.SetList, self._set_list, self._check_set_list)

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
        found = [scene for scene in self._shared.bank.values() if scene.program == program]
        for scene in found:
            if scene.bank == bank:
                return scene
        for scene in found:
            if bank is None or scene.bank is None:
                return scene
        text = program_text(program, self._shared.rig.program_numbers_from)
        raise CommandError(f"no scene for {text}{f' of bank {bank}' if bank else ''}")

    def _check_recall(self, command: commands.RecallScene) -> None:
        bank = self._shared.bank
        if command.name not in bank:
            allowed = one_of(command.name, bank) or "none stored"
            raise CommandError(f"scene: found {command.name!r}; allowed: {allowed}")

    def _recall(self, command: commands.RecallScene, outputs: Outputs) -> None:
        waiting = self._shared.waiting_scene
        name = command.name
        here = self.position
        if waiting is None or waiting.name != name:  # a repeat changes nothing (F3)
            self._live.recall(self._shared.bank[name], outputs)
        place = self._position(name)
        if place is None:
            place = here  # where the list is left, to go on from there
        self._index = self._index if place is None else place

    def _check_program(self, command: commands.RecallProgram) -> Scene:
        return self.of_program(command.program, command.bank)

    def _recall_program(self, command: commands.RecallProgram, outputs: Outputs) -> None:
        self._recall(commands.RecallScene(self._check_program(command).name), outputs)

    # ------------------------------------------------------------ the set list

    @property
    def set_list(self) -> tuple[str, ...]:
        """The order in force: tonight's, else the rig's, else all scenes; none that is missing."""
        bank = self._shared.bank
        wanted = self._shared.base_tonight.set_list or self._shared.rig.set_list
        return tuple(name for name in wanted if name in bank) or tuple(bank)

    @property
    def position(self) -> int | None:
        """Where the scene that waits, else plays, stands in the set list; None: not in it."""
        return self._position(self._shared.wanted_scene.name)

    def _position(self, name: str) -> int | None:
        order = self.set_list
        index = self._index
        if index is not None and index < len(order) and order[index] == name:
            return index  # the same scene twice in a list: the one that was stepped to
        return order.index(name) if name in order else None

    def _check_step(self, command: commands.StepScene) -> int:
        """Return where in the set list a step leads."""
        order = self.set_list
        if not order:
            raise CommandError("the set list is empty; the rig lists no scenes")
        here = self.position
        if here is None:
            here = self._index  # a scene that is not in the list was played in between
        if here is None or here >= len(order):  # the list may be shorter since
            here = -1 if command.steps > 0 else 1
        following = here + command.steps
        if self._shared.rig.set_list_ends == "wrap":
            return following % len(order)
        if not 0 <= following < len(order):
            end = "last" if command.steps > 0 else "first"
            name = order[-1 if command.steps > 0 else 0]
            raise CommandError(f"{name} is the {end} of the set list")
        return following

    def _step(self, command: commands.StepScene, outputs: Outputs) -> None:
        self._index = self._check_step(command)
        self._recall(commands.RecallScene(self.set_list[self._index]), outputs)

    def _check_set_list(self, command: commands.SetList) -> None:
        if len(command.scenes) > LONGEST_SET_LIST:
            raise CommandError(
                f"set_list: found {len(command.scenes)} scenes; allowed: up to {LONGEST_SET_LIST}"
            )
        bank = self._shared.bank
        for name in command.scenes:
            if name not in bank:
                allowed = one_of(name, bank) or "none stored"
                raise CommandError(f"set_list: found {name!r}; allowed: {allowed}")

    def _set_list(self, command: commands.SetList, outputs: Outputs) -> None:
        self._index = None
        tonight = replace(self._shared.base_tonight, set_list=command.scenes)
        self._live.use_tonight(tonight, outputs)

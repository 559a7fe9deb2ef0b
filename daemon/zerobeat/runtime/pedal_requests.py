"""What feet ask for beyond the engine, and the lights they see."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from .. import midi
from ..engine.commands import Command, Revert
from ..engine.engine import Engine
from ..engine.pedals.bindings import FootRequest
from ..errors import CommandError
from ..ports.deferred_answer import Answer, Later
from ..ports.midi_out import MidiOut
from ..ports.touchup_request import ask_for_touch_up
from .journal import Journal

_WHO = {"touch_up": "zerobeat touchup", "go_on": "a measuring command"}


class Footwork:
    """Takes up requests and sends lights, once the notes are on their way.

    Args:
        engine: whose pedals they are.
        store: stores the live settings into a scene.
        act: hands a command to the engine; raises ``CommandError``.
        lights: the ports of the lights, by input.
        journal: for what is refused.

    Attributes:
        asked: how often a foot asked for what a client does: touch_up, go_on.
    """

    def __init__(
        self,
        engine: Engine,
        store: Callable[[str | None], Later],
        act: Callable[[Command], None],
        lights: Mapping[str, MidiOut],
        journal: Journal,
    ) -> None:
        self._engine = engine
        self._store = store
        self._act = act
        self._lights = lights
        self._journal = journal
        self._told = ""
        self.asked: Counter[str] = Counter(dict.fromkeys(_WHO, 0))

    def step(self, now_s: float) -> None:
        """Do what waits."""
        pedals = self._engine.pedals
        while pedals.requests:
            self._take(pedals.requests.pop(0))
        due = pedals.lights.due
        if due:
            for name, message in due:
                port = self._lights.get(name)
                if port is not None:
                    port.send(midi.encode(message))
            due.clear()
        if pedals.refused and pedals.said != self._told:
            self._journal.fault(f"foot {pedals.said}", pedals.said)
        self._told = pedals.said

    def _take(self, request: FootRequest) -> None:
        name = request.input

        def hear(answer: Answer, now_s: float) -> None:
            said = answer.get("said") or answer.get("error", "")
            self._engine.pedals.told(f"{name}: {said}", not answer.get("ok"))

        try:
            if request.action == "store":
                self._store(request.scene).to(hear)
            elif request.action == "revert":
                self._act(Revert())
                self._engine.pedals.told(f"{name}: reverted")
            else:
                self.asked[request.action] += 1
                if request.action == "touch_up":
                    ask_for_touch_up()
                self._engine.pedals.told(f"{name}: {request.action}, for {_WHO[request.action]}")
        except CommandError as error:
            self._engine.pedals.told(f"{name}: {request.action}: {error}", refused=True)

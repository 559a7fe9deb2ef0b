"""Pedal requests that the engine can't carry out itself, and the pedalboards' lights."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from .. import midi
from ..engine.commands import Command, Revert
from ..engine.engine import Engine
from ..engine.pedals.bindings import FootRequest
from ..errors import CommandError
from ..ports.deferred_answer import Answer, DeferredAnswer
from ..ports.midi_out import MidiOut
from ..ports.notify import request_touch_up
from .journal import Journal

FOLLOWED = {"follow": "", "follow_here": "here", "follow_back": "back"}
_WHO = {
    "touch_up": "zerobeat touchup",
    "go_on": "a measuring command",
    "pair": "the phone that asks on the page",
}


class PedalRequests:
    """Handles requests and sends lights, after the notes of the same turn.

    Args:
        engine: whose pedals they are.
        store: stores the live settings into a scene.
        act: hands a command to the engine; raises ``CommandError``.
        lights: the ports of the lights, by input.
        journal: logs refused requests.

    Attributes:
        asked: count of pedal requests for clients: touch_up, go_on, pair.
    """

    def __init__(
        self,
        engine: Engine,
        store: Callable[[str | None], DeferredAnswer],
        act: Callable[[Command], None],
        lights: Mapping[str, MidiOut],
        journal: Journal,
    ) -> None:
        self._engine = engine
        self._store = store
        self._act = act
        self._lights = lights
        self._journal = journal
        self._dispatch = ""
        self.follow: Callable[[str | None, str], str] = lambda voice, act: ""  # set once it serves
        self.asked: Counter[str] = Counter(dict.fromkeys(_WHO, 0))

    def step(self, now_s: float) -> None:
        """Handle waiting requests and send changed lights."""
        pedals = self._engine.pedals
        while pedals.requests:
            self._handle(pedals.requests.pop(0))
        self.send_lights()
        if pedals.refused and pedals.said != self._dispatch:
            self._journal.fault(f"foot {pedals.said}", pedals.said)
        self._dispatch = pedals.said

    def send_lights(self) -> None:
        """Send changed lights."""
        due = self._engine.pedals.lights.due
        for name, message in due:
            port = self._lights.get(name)
            if port is not None:
                port.send(midi.encode(message))
        due.clear()

    def _handle(self, request: FootRequest) -> None:
        name = request.input

        def show(answer: Answer, now_s: float) -> None:
            said = answer.get("said") or answer.get("error", "")
            self._engine.pedals.told(f"{name}: {said}", not answer.get("ok"))

        try:
            if request.action == "store":
                self._store(request.scene).add_callback(show)
            elif request.action == "revert":
                self._act(Revert())
                self._engine.pedals.told(f"{name}: reverted")
            elif request.action in FOLLOWED:
                said = self.follow(request.voice, FOLLOWED[request.action])
                self._engine.pedals.told(f"{name}: {said}")
            else:
                self.asked[request.action] += 1
                if request.action == "touch_up":
                    request_touch_up()
                self._engine.pedals.told(f"{name}: {request.action}, for {_WHO[request.action]}")
        except CommandError as error:
            self._engine.pedals.told(f"{name}: {request.action}: {error}", refused=True)

"""The lights of pedalboards: what each shows, and which messages are owed.

Lights are not notes and never pass through the wire: whoever runs the engine
takes ``due`` once the notes are on their way.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from operator import is_
from typing import TYPE_CHECKING

from ...midi import ControlChange, Message, NoteOn, ProgramChange
from .bindings import Binding

if TYPE_CHECKING:
    from ..engine import Engine
    from .actions import Actions

ON = 127
ECHO_S = 0.05  # what comes back within this is our own; a foot needs longer for a second press
MOST_SENT = 64

_Place = tuple[str, int, int]  # source, channel, number; -1 for the program
_NOTHING = object()


class Lights:
    """What the lights of each pedalboard show.

    Attributes:
        due: (input, message) that are to be sent to its lights, oldest first.
        any: some binding has a light.
    """

    def __init__(self, engine: Engine, actions: Actions) -> None:
        self._engine = engine
        self._actions = actions
        self._bindings: dict[str, list[Binding]] = {}
        self._shown: dict[str, dict[_Place, Message]] = {}  # of lights that are there
        self._sent: deque[tuple[float, str, Message]] = deque(maxlen=MOST_SENT)
        self._seen: tuple[object, ...] = ()
        self.due: list[tuple[str, Message]] = []
        self.any = False

    def use(self, bindings: Mapping[str, Sequence[Binding]]) -> None:
        """Take the bindings with a light, by input."""
        self._bindings = {name: list(found) for name, found in bindings.items() if found}
        self.any = bool(self._bindings)
        self._seen = ()

    def back(self, name: str) -> None:
        """All lights of an input are dark, and there: send every one."""
        self._shown[name] = {}
        self._show(name)

    def lost(self, name: str) -> None:
        """The lights of an input are gone."""
        self._shown.pop(name, None)
        self.due = [owed for owed in self.due if owed[0] != name]

    def look(self, anew: bool = False) -> None:
        """Send what has changed; cheap where nothing has.

        Args:
            anew: a foot has done something, which may leave no trace in the settings.
        """
        if not self.any:
            return
        seen = self._engine.live.parts()
        if not anew and len(seen) == len(self._seen) and all(map(is_, seen, self._seen)):
            return
        self._seen = seen
        for name in self._shown:
            self._show(name)

    def released(self, name: str, source: str, channel: int, number: int) -> None:
        """A switch came up: its pedalboard may have blanked the light (F8)."""
        pedalboard = self._engine.rig.pedalboards.get(name)
        shown = self._shown.get(name)
        if shown is None or pedalboard is None or not pedalboard.relight:
            return
        shown.pop((source, channel, number), None)
        self._show(name)

    def _show(self, name: str) -> None:
        shown = self._shown[name]
        for binding in self._bindings.get(name, ()):
            place, message = self._light(binding)
            if message is not None and shown.get(place, _NOTHING) != message:
                shown[place] = message
                self.due.append((name, message))
                self._sent.append((self._engine.now_s, name, message))

    def _light(self, binding: Binding) -> tuple[_Place, Message | None]:
        channel, number = binding.channel or 0, binding.number or 0
        if binding.source == "program":
            live = self._engine.live
            program = (live.waiting_scene or live.scene).program
            place: _Place = ("program", channel, -1)
            return place, None if program is None else ProgramChange(channel, program)
        value = ON if self._actions.is_on(binding) else 0
        if binding.source == "note":  # dark is a note-on of velocity 0, which more boards take
            return ("note", channel, number), NoteOn(channel, number, value)
        return ("controller", channel, number), ControlChange(channel, number, value)

    def sent_just_now(self, name: str, message: Message) -> bool:
        """Return whether a message is what we sent to this pedalboard, coming back (F9)."""
        oldest_s = self._engine.now_s - ECHO_S
        for sent in self._sent:
            if sent[0] >= oldest_s and sent[1] == name and sent[2] == message:
                self._sent.remove(sent)
                return True
        return False

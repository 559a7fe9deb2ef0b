"""The lights of pedalboards: what each shows, and which messages are owed.

Lights are not notes and never pass through the wire: whoever runs the engine
takes ``due`` once the notes are on their way.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from operator import is_

from ...midi import ControlChange, Message, NoteOn, ProgramChange
from ..engine_state import EngineState
from .bindings import Binding

ON = 127
ECHO_S = 0.05  # what comes back within this is our own; a second press takes longer
MOST_SENT = 64

_Place = tuple[str, int, int]  # source, channel, number; -1 for the program
_NOTHING = object()


class Lights:
    """What the lights of each pedalboard show.

    A switch with several bindings has one light: it is lit while any of them is on.

    Args:
        shared: the engine's state.
        parts: returns all that a change swaps for another; see ``Live.parts``.
        is_on: says whether what a binding of an input stands for is in force.

    Attributes:
        due: (input, message) that are to be sent to its lights, oldest first.
        any: some binding has a light.
    """

    def __init__(
        self,
        shared: EngineState,
        parts: Callable[[], tuple[object, ...]],
        is_on: Callable[[Binding, str], bool],
    ) -> None:
        self._shared = shared
        self._parts = parts
        self._is_on = is_on
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
        for name, shown in self._shown.items():
            for place in shown.keys() - self.wanted(name).keys():
                self._darken(name, place, shown.pop(place))

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
            anew: a pedal has done something, which may leave no trace in the settings.
        """
        if not self.any:
            return
        seen = self._parts()
        if not anew and len(seen) == len(self._seen) and all(map(is_, seen, self._seen)):
            return
        self._seen = seen
        for name in self._shown:
            self._show(name)

    def released(self, name: str, source: str, channel: int, number: int) -> None:
        """A switch came up: its pedalboard may have blanked the light (F8)."""
        pedalboard = self._shared.rig.pedalboards.get(name)
        shown = self._shown.get(name)
        if shown is None or pedalboard is None or not pedalboard.relight:
            return
        shown.pop((source, channel, number), None)
        self._show(name)

    def _show(self, name: str) -> None:
        shown = self._shown[name]
        for place, message in self.wanted(name).items():
            if shown.get(place, _NOTHING) != message:
                shown[place] = message
                self._owe(name, message)

    def _darken(self, name: str, place: _Place, shown: Message) -> None:
        """Put out a light that nothing speaks for any more."""
        source, channel, number = place
        kind = NoteOn if source == "note" else ControlChange
        dark = kind(channel, number, 0)
        if source != "program" and shown != dark:
            self._owe(name, dark)

    def _owe(self, name: str, message: Message) -> None:
        self.due.append((name, message))
        self._sent.append((self._shared.now_s, name, message))

    def wanted(self, name: str) -> dict[_Place, Message]:
        """Return what every light of an input should show, by its place."""
        lit: dict[_Place, bool] = {}
        found: dict[_Place, Message] = {}
        for binding in self._bindings.get(name, ()):
            channel = binding.channel or 0
            if binding.source == "program":
                program = self._shared.wanted_scene.program
                if program is not None:
                    found["program", channel, -1] = ProgramChange(channel, program)
                continue
            place = (binding.source, channel, binding.number or 0)
            lit[place] = lit.get(place, False) or self._is_on(binding, name)
        for (source, channel, number), on in lit.items():
            # A note's light is dark by a note-on of velocity 0, which more boards take.
            kind = NoteOn if source == "note" else ControlChange
            found[source, channel, number] = kind(channel, number, ON if on else 0)
        return found

    def sent_just_now(self, name: str, message: Message, since_s: float = float("-inf")) -> bool:
        """Return whether a message is what we sent to this pedalboard, coming back (F9).

        Args:
            name: of the input.
            message: what came from it.
            since_s: what was sent before this can't be what comes back.
        """
        oldest_s = max(since_s, self._shared.now_s - ECHO_S)
        for sent in self._sent:
            if sent[0] >= oldest_s and sent[1] == name and sent[2] == message:
                self._sent.remove(sent)
                return True
        return False

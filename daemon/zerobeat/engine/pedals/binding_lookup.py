"""What a message of an input is bound to.

A learned binding takes the place of all that a pedalboard file says of the
same switch, and one with a number that of `program: any`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from .bindings import Binding, Learned, Pedalboard
from .layers import SwitchPlace

MOST_SWITCHES = 1024  # states kept; more than any pedalboard has


class Bound:
    """The bindings of every input.

    Attributes:
        learned: those that ``learn`` has written; ``use`` takes them into force.
    """

    def __init__(self) -> None:
        self.learned: tuple[Learned, ...] = ()
        self._of_input: dict[str, tuple[tuple[Binding, ...], ...]] = {}  # the first goes first
        self._found: dict[SwitchPlace, tuple[Binding, ...]] = {}

    def use(self, inputs: Iterable[str], pedalboards: Mapping[str, Pedalboard]) -> None:
        """Read the bindings of a rig's inputs."""
        self._found = {}
        self._of_input = {}
        for name in inputs:
            own = pedalboards[name].bindings if name in pedalboards else ()
            learned = tuple(each.binding for each in self.learned if each.input == name)
            if own or learned:
                self._of_input[name] = (learned, own)

    def has(self, name: str) -> bool:
        """Return whether anything of an input is bound."""
        return name in self._of_input

    def with_feedback(self) -> dict[str, list[Binding]]:
        """Return the bindings in force that want a light, by input."""
        return {
            name: [b for part in parts for b in part if b.feedback and self.in_force(name, b)]
            for name, parts in self._of_input.items()
        }

    def in_force(self, name: str, binding: Binding) -> bool:
        """Return whether no learned binding has taken a switch over."""
        place = (name, binding.source, binding.channel or 0, binding.number or 0)
        return binding.number is None or binding in self.of(place)

    def holds(self, name: str, binding: Binding) -> bool:
        """Return whether a binding is one of an input's."""
        return any(binding in part for part in self._of_input.get(name, ()))

    def of(self, place: SwitchPlace) -> tuple[Binding, ...]:
        """Return what a message of an input is bound to; () if it is not."""
        found = self._found.get(place)
        if found is None:
            found = self._look_up(*place)
            if len(self._found) < MOST_SWITCHES:
                self._found[place] = found
        return found

    def _look_up(self, name: str, source: str, channel: int, number: int) -> tuple[Binding, ...]:
        for bindings in self._of_input.get(name, ()):
            on_channel = [
                b for b in bindings if b.source == source and b.channel in (None, channel)
            ]
            for wanted in (number, None):
                exact = tuple(b for b in on_channel if b.number == wanted)
                if exact:
                    return exact
        return ()

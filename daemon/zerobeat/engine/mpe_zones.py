"""Zones of an MPE keyboard: what a configuration message makes of them, and parameter numbers.

Source: RP-053, MIDI Polyphonic Expression 1.0 (2018), section 2: the lower zone has manager
channel 1 and members from 2 up, the upper one manager 16 and members from 15 down. The newest
message wins where zones overlap. Channels are 0 to 15 here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from ..midi import RESERVED_CONTROLLERS, SUSTAIN

LOWER, UPPER = 0, 15  # the managers' channels
MOST_MEMBERS = 15
MEMBER_CENTS, MANAGER_CENTS = 4800.0, 200.0  # bend ranges after a configuration message
MOST_SEMITONES = 96
CHANNEL_PRESSURE = 128  # a target beside controllers 0 to 127
TARGET_CONTROLLERS = frozenset(range(1, 120)) - RESERVED_CONTROLLERS - {SUSTAIN}
BEND_RANGE, CONFIGURATION = (0, 0), (0, 6)  # parameter numbers, most significant first
_NO_PARAMETER = (127, 127)
_DATA, _DATA_FINE, _UNREGISTERED = 6, 38, (98, 99)
_NUMBER_FINE, _NUMBER = 100, 101


@dataclass(frozen=True, slots=True)
class MpeSettings:
    """What the rig says of an MPE keyboard; its messages may change zones and ranges."""

    lower_members: int = 0  # 0: no such zone until the keyboard says so
    upper_members: int = 0
    member_cents: float = MEMBER_CENTS
    manager_cents: float = MANAGER_CENTS
    touch: Literal["as_played", "centred"] = "as_played"
    pressure_to: int | None = None  # a controller, CHANNEL_PRESSURE, or None: nothing
    slide_to: int | None = None  # the same for controller 74


class ZoneSizes(NamedTuple):
    """How many members each zone has; 0 is no zone."""

    lower: int
    upper: int

    def configured(self, manager: int, members: int) -> ZoneSizes:
        """Return the zones after a configuration message; the other one gives way.

        >>> ZoneSizes(7, 7).configured(LOWER, 10), ZoneSizes(0, 7).configured(LOWER, 15)
        (ZoneSizes(lower=10, upper=4), ZoneSizes(lower=15, upper=0))
        """
        left = max(0, 14 - members)
        if manager == LOWER:
            return ZoneSizes(members, min(self.upper, left))
        return ZoneSizes(min(self.lower, left), members)

    def of(self, manager: int) -> int:
        """Return how many members the zone of a manager has."""
        return self.lower if manager == LOWER else self.upper


def members_of(manager: int, count: int) -> range:
    """Return the member channels of a zone, the manager's neighbour first."""
    return range(1, count + 1) if manager == LOWER else range(14, 14 - count, -1)


class Parameter(NamedTuple):
    """A registered parameter that was set: its number, and its value's two halves."""

    number: tuple[int, int]
    value: int
    fine: int


class ParameterReader:
    """Puts the controllers of one channel together to registered parameters.

    A number counts once both its halves have come (MIDI 1.0 Detailed Specification 4.2.1, p. 17,
    rule 3); an unregistered number, or the number 127 127, ends it.
    """

    __slots__ = ("_number", "_value")

    def __init__(self) -> None:
        self._number: list[int | None] = [None, None]
        self._value: int | None = None

    def hear(self, controller: int, value: int) -> Parameter | None:
        """Take a controller; return the parameter that it sets."""
        if controller in (_NUMBER, _NUMBER_FINE):
            self._number[controller == _NUMBER_FINE] = value
            self._value = None
            return None
        if controller in _UNREGISTERED:
            self._number = [None, None]
            return None
        most, least = self._number
        if most is None or least is None or (most, least) == _NO_PARAMETER:
            return None
        if controller == _DATA:
            self._value = value
            return Parameter((most, least), value, 0)
        if controller == _DATA_FINE and self._value is not None:
            return Parameter((most, least), self._value, value)
        return None

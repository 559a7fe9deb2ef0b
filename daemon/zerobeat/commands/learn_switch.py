"""Which switch or pedal a player means: the first that is pressed, or moved far enough."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from .. import midi
from ..midi import PRESSED
from .learn_incoming import SKIPPED_CONTROLLERS, Heard, Hearing

MOVED_VALUES = 3  # so many different values make a pedal, not a switch
RELEASE_S = 2.0  # a switch that says nothing on release within this may latch
_Place = tuple[str, str, int, int]  # input, source, channel, number


@dataclass(slots=True)
class Found:
    """A switch: what it sends, and what it did in the moment after its press.

    ``keys`` are those of a binding; ``warnings`` say what may go wrong.
    """

    keys: dict[str, Any]
    warnings: list[str] = field(default_factory=list)


def wanted_place(heard: Heard, pedal: bool, any_program: bool) -> tuple[_Place, int] | None:
    """Return the switch a message may stand for and its value, or None.

    Args:
        heard: the message.
        pedal: a continuous pedal is looked for.
        any_program: only a program change will do.
    """
    message = heard.message
    kind = type(message)
    if kind is midi.ProgramChange and not pedal:
        return (heard.input, "program", message.channel, message.program), midi.NOTE_OFF_VELOCITY  # type: ignore[union-attr]
    if any_program:
        return None
    if kind is midi.ControlChange and message.controller not in SKIPPED_CONTROLLERS:  # type: ignore[union-attr]
        place = (heard.input, "controller", message.channel, message.controller)  # type: ignore[union-attr]
        return place, message.value  # type: ignore[union-attr]
    if kind in (midi.NoteOn, midi.NoteOff) and not pedal:
        value = 127 if kind is midi.NoteOn else 0
        return (heard.input, "note", message.channel, message.note), value  # type: ignore[union-attr]
    return None


def find_pedal(hearing: Hearing, allowed: Callable[[str], bool], end_s: float) -> Found | None:
    """Return the first pedal that moves."""
    values: dict[_Place, set[int]] = {}
    for heard in hearing.until(end_s):
        found = wanted_place(heard, True, False) if allowed(heard.input) else None
        if found is None:
            continue
        place, value = found
        values.setdefault(place, set()).add(value)
        if len(values[place]) >= MOVED_VALUES:
            return Found(_keys(place))
    return None


def find_switch(
    hearing: Hearing, allowed: Callable[[str], bool], end_s: float, any_program: bool
) -> Found | None:
    """Return the first switch that is pressed, with a look at how it comes up (F6)."""
    for heard in hearing.until(end_s):
        found = wanted_place(heard, False, any_program) if allowed(heard.input) else None
        if found is None or found[1] < PRESSED:
            continue
        place, value = found
        if place[1] == "program":
            return Found(_keys(place))
        return _watched(hearing, place, value)
    return None


def _watched(hearing: Hearing, place: _Place, first: int) -> Found:
    result = Found(_keys(place))
    values = {first}
    for heard in hearing.until(time.monotonic() + RELEASE_S):
        found = wanted_place(heard, False, False)
        if found is None or found[0] != place:
            continue
        values.add(found[1])
        if len(values) > MOVED_VALUES:
            result.warnings.append(
                "it moves like a pedal, not like a switch; for a setting that follows it: "
                "zerobeat learn set --setting NAME --lowest N --highest N"
            )
            return result
        if found[1] == 0:
            return result
    result.warnings.append(
        f"it sent nothing on release within {RELEASE_S:g} s: if it latches by itself, set it to "
        "momentary, or learn it with --kind latching; else every second press is lost"
    )
    return result


def _keys(place: _Place) -> dict[str, Any]:
    name, source, channel, number = place
    return {"input": name, source: number, "channel_number": channel + 1}

"""Commands for global settings: concert pitch, set list, bypass, solo, mute, touch-up."""

from __future__ import annotations

import time
from collections.abc import Callable

from ..config.fields import Section, read_text
from ..engine import commands
from ..engine.engine import Engine
from ..engine.limits import (
    CONCERT_A_RANGE_HZ,
    TOUCH_UP_OFFSET_CENTS,
    TOUCH_UP_STRETCH_CENTS,
    TRANSPOSE_CENTS,
    TRANSPOSE_DEGREES,
    TRANSPOSE_SEMITONES,
)
from ..engine.settings import TouchUp
from ..engine.voice_status import still_acts
from ..errors import one_of

ALL = "all"


def check_complete(section: Section) -> None:
    """Refuse unknown keys and all faults that were found.

    Raises:
        ConfigError: each fault in a line.
    """
    section.close()
    section.faults.raise_any()


def voice_of(engine: Engine, section: Section, default: str | None) -> str:
    """Return the name of a voice of the rig, or ``all``; None as default: one is needed."""
    name = section.text("voice", default or "", required=default is None)
    names = list(engine.states)
    if name and name not in names and name != ALL:
        section.faults.add(
            section.at("voice"),
            f"found {name}; allowed: {one_of(name, names)}",
        )
    return name


class GlobalCommands:
    """Handles the commands that change global settings.

    Args:
        engine: whose tonight it is.
        act: hands a command to the engine; raises ``CommandError``.
    """

    def __init__(self, engine: Engine, act: Callable[[commands.Command], None]) -> None:
        self._engine = engine
        self._act = act
        self.known: dict[str, Callable[[Section], str]] = {
            "tonight": self._tonight,
            "bypass": self._bypass,
            "solo": lambda section: self._one_voice(section, "solo", commands.Solo),
            "mute": lambda section: self._one_voice(section, "mute", commands.Mute),
            "touch_up": self._touch_up,
        }

    def _tonight(self, section: Section) -> str:
        concert_a_hz = section.number("concert_a_hz", None, *CONCERT_A_RANGE_HZ)
        transpose_semitones = section.whole("transpose_semitones", None, *TRANSPOSE_SEMITONES)
        transpose_cents = section.number("transpose_cents", None, *TRANSPOSE_CENTS)
        transpose_degrees = section.whole("transpose_degrees", None, *TRANSPOSE_DEGREES)
        nodes = section.items("set_list")
        order = [read_text(node, section.faults, "") for node in nodes]
        check_complete(section)
        if section.has("set_list"):
            self._act(commands.SetList(tuple(order)))
        change = commands.ChangeTonight(
            concert_a_hz, transpose_semitones, transpose_cents, transpose_degrees
        )
        if change != commands.ChangeTonight():
            self._act(change)
        tonight = self._engine.live.base_tonight
        if section.has("set_list") and change == commands.ChangeTonight():
            return f"set list: {', '.join(self._engine.scenes.set_list)}"
        cents, degrees = tonight.transpose_cents, tonight.transpose_degrees
        more = f" {cents:+g} cents" if cents else ""
        more += f" {degrees:+d} step{'' if abs(degrees) == 1 else 's'}" if degrees else ""
        return (
            f"A4 {tonight.concert_a_hz:g} Hz, transposed by {tonight.transpose_semitones:+d}{more}"
        )

    def _bypass(self, section: Section) -> str:
        voice = voice_of(self._engine, section, ALL)
        on = section.flag("on", True)
        keep = section.flag("keep_touch_up", False)
        check_complete(section)
        self._act(commands.Bypass(None if voice == ALL else voice, on, keep))
        if not on:
            return f"{voice}: corrected"
        return f"{voice}: played raw{', with its touch-up' if keep else ''}{self._acts_on(voice)}"

    def _acts_on(self, voice: str) -> str:
        """Return what still moves the pitch of voices that are played raw."""
        states = self._engine.states
        tonight = self._engine.live.tonight
        found: dict[str, list[str]] = {}
        for name in states if voice == ALL else (voice,):
            for what in still_acts(states[name], tonight):
                if what != "touch-up":
                    found.setdefault(what, []).append(name)
        if voice != ALL:
            return f"; {', '.join(found)} still acting" if found else ""
        told = [f"{what} ({', '.join(names)})" for what, names in found.items()]
        return f"; {', '.join(told)} still acting" if told else ""

    def _one_voice(
        self, section: Section, what: str, make: Callable[[str, bool], commands.Command]
    ) -> str:
        voice = voice_of(self._engine, section, None)
        on = section.flag("on", True)
        if voice == ALL and on:
            section.faults.add(section.at("voice"), f"found {ALL}; allowed: one voice")
        check_complete(section)
        for name in tuple(self._engine.states) if voice == ALL else (voice,):
            self._act(make(name, on))
        return f"{voice}: {what} {'on' if on else 'off'}, from the next key"

    def _touch_up(self, section: Section) -> str:
        voice = voice_of(self._engine, section, None)
        if voice == ALL:
            section.faults.add(section.at("voice"), f"found {ALL}; allowed: one voice")
        now = self._engine.live.base_tonight.touch_up.get(voice, TouchUp())
        reference = section.note("reference", None)
        touch_up = TouchUp(
            offset_cents=section.number("offset_cents", now.offset_cents, *TOUCH_UP_OFFSET_CENTS),
            stretch_cents=section.number(
                "stretch_cents", now.stretch_cents, *TOUCH_UP_STRETCH_CENTS
            ),
            reference_cents=now.reference_cents if reference is None else 100.0 * reference,
            at_s=round(time.time(), 1),
        )
        check_complete(section)
        self._act(commands.SetTouchUp(voice, touch_up))
        return (
            f"{voice}: heard {touch_up.offset_cents:+g} cents off, "
            f"{touch_up.stretch_cents:+g} an octave; taken out"
        )

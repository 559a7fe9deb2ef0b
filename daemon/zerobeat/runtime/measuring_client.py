"""The daemon's part of measuring: which client plays voices, and what ends its run.

One client at a time. Its run ends when it releases all, when its connection
ends, when it says nothing for ``SILENT_S``, or when the player wants the voices
back: then its next ``play`` or ``release`` is refused once, with the reason.
"""

from __future__ import annotations

from collections.abc import Callable

from ..config.fields import Section
from ..engine import commands
from ..engine.engine import Engine
from ..engine.limits import BEND_CENTS, PLAYED_PITCH_CENTS, PLAYED_VELOCITY
from ..errors import CommandError, MeasuringStoppedError
from ..json_value import JsonObject
from .global_commands import ALL

SILENT_S = 60.0


class MeasuringRun:
    """Handles ``play`` and ``release``.

    Args:
        engine: that plays.
        act: hands it a command; raises ``CommandError``.
    """

    def __init__(self, engine: Engine, act: Callable[[commands.Command], None]) -> None:
        self._engine = engine
        self._act = act
        self._owner: object = None
        self._last_command_s = 0.0
        self.needle: JsonObject | None = None  # how far a knob is off, for other displays

    def play(self, section: Section, voice: str, owner: object, now_s: float) -> str:
        """Sound a voice at a note and bend, raw, or at a written pitch, corrected."""
        velocity = section.whole("velocity", 100, *PLAYED_VELOCITY)
        strike = section.flag("strike", False)
        if voice == ALL:
            section.faults.add(section.at("voice"), f"found {ALL}; allowed: one voice")
        command: commands.Command
        if section.flag("corrected", False):
            pitch_cents = section.number("pitch_cents", 0.0, *PLAYED_PITCH_CENTS, required=True)
            command = commands.PlayPitch(voice, pitch_cents, velocity, strike)
        else:
            section.node("note", required=True, allowed="the note to send, 0 to 127")
            note = section.note("note", 60)
            bend_cents = section.number("bend_cents", 0.0, *BEND_CENTS)
            command = commands.PlayRaw(voice, note, bend_cents, velocity, strike)
        section.close()
        section.faults.raise_any()
        self._check(owner)
        self._act(command)
        self._owner, self._last_command_s = owner, now_s
        return f"{voice} sounds for measuring"

    def release(self, section: Section, voice: str, owner: object, now_s: float) -> str:
        """Close a voice's gate; with ``all``, end the run."""
        section.close()
        section.faults.raise_any()
        self._check(owner)
        if voice != ALL:
            self._act(commands.ReleaseVoice(voice))
            self._last_command_s = now_s
            return f"{voice} released"
        if self._engine.measuring.running:
            self._act(commands.ReleaseVoice())
        if owner is self._owner:  # another client may still have to hear what ended its run
            self._owner = self.needle = None
        return "measuring ended"

    def show_needle(self, section: Section, voice: str, owner: object, now_s: float) -> str:
        """Keep where a knob stands for the status, while the client that measures says so."""
        shown: JsonObject = {
            "voice": voice,
            "off_cents": section.number("off_cents", 0.0, *BEND_CENTS, required=True),
            "where": section.choice("where", "far", ("far", "near", "there"), required=True),
            "turn": section.choice("turn", "", ("up", "down", "")),
        }
        section.close()
        section.faults.raise_any()
        if owner is not self._owner:
            raise CommandError("needle: allowed for the client that measures")
        self.needle = shown
        return f"{voice}: shown"

    def _check(self, owner: object) -> None:
        if self._owner is None:
            return
        if self._engine.measuring.running:
            if owner is not self._owner:
                raise CommandError("another client measures; end it, or wait")
        elif owner is self._owner:
            self._owner = self.needle = None
            raise MeasuringStoppedError(self._engine.measuring.stopped)

    def gone(self, owner: object) -> None:
        """Release what a client plays whose connection has ended."""
        if owner is self._owner:
            self._end()

    def release_if_silent(self, now_s: float) -> None:
        """End the run of a client that has sent nothing for ``SILENT_S``."""
        if self._owner is not None and now_s - self._last_command_s > SILENT_S:
            self._end()

    def _end(self) -> None:
        self._owner = self.needle = None
        if self._engine.measuring.running:
            self._act(commands.ReleaseVoice())

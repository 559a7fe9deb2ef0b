"""The daemon's part of follow: the stream it listens by, its moves, and what it reports.

| command | takes |
| --- | --- |
| `follow_move` | `voice`; `offset_cents`, `stretch_cents`, `reference_cents` of the whole drift, or
  `back` true; `sounding_cents` |
| `follow_report` | `voices`: what is believed of each; `inputs`: whether it has the audio inputs or
  is about to open them: `lent` is the answer where it may not |
| `following` | `voice` (default `all`), `act`: `on`, `off`, `here` or `back` |
| `borrow_inputs` | nothing; says `free` once the audio inputs may be opened |

The daemon plays the same with and without follow; what follow took out last stays in force.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.follow_field import FollowSettings
from ..config.json_source import table_of
from ..engine import commands
from ..engine.engine import Engine
from ..engine.expected_state import ExpectedWatch
from ..engine.limits import (
    FOLLOW_STEP_CENTS,
    TOUCH_UP_OFFSET_CENTS,
    TOUCH_UP_REFERENCE_CENTS,
    TOUCH_UP_STRETCH_CENTS,
)
from ..engine.settings import TouchUp
from ..errors import CommandError
from ..json_value import JsonObject
from ..ports.control import ControlSocket
from ..ports.deferred_answer import DeferredAnswer
from ..ports.notify import request_follow
from .global_commands import ALL, check_complete, voice_of

LENT = "lent"  # answer to a report that claims the inputs while another client has them
GONE_S = 10.0  # without a report follow counts as gone
MOST_REPORTED = 64  # voices
FOLLOW_ACTS = ("on", "off", "here", "back")
_KNOWN_VALUES = (
    "drift_cents",
    "sigma_cents",
    "rate_cents_per_min",
    "stretch_cents",
    "age_s",
    "taken_out_cents",
    "sure",
    "why",
    "followable",
    "knob_cents",
    "loading",
    "readings",
    "delay_ms",
    "refused",
)


class FollowStream:
    """Serves ``zerobeat follow``.

    Args:
        engine: that plays.
        act: hands it a command; raises ``CommandError``.
        asking: returns the client whose request is at work.
        catch_up: plays MIDI that has arrived or is due, between two slices of work.
        folder: the runtime directory.

    Attributes:
        control: the control socket, once it is open.
    """

    def __init__(
        self,
        engine: Engine,
        act: Callable[[commands.Command], None],
        asking: Callable[[], object],
        catch_up: Callable[[], None],
        folder: Path,
    ) -> None:
        self._engine = engine
        self._folder = folder
        self._act = act
        self._asking = asking
        self._catch_up = catch_up
        self._watch = ExpectedWatch(engine.shared, engine.measuring)
        self.control: ControlSocket | None = None
        self._voices: dict[str, JsonObject] = {}
        self._reported_s: float | None = None
        self._has_inputs = False
        self._listener: object = None  # the client that reported last
        self._borrowers: set[object] = set()
        self._enabled = False
        self.known: Mapping[str, Callable[[JsonObject], DeferredAnswer]] = {
            "follow_move": lambda values: _said(self._move(self._section("follow_move", values))),
            "follow_report": lambda values: _said(self._report(values)),
            "following": lambda values: _said(self._following(self._section("following", values))),
            "borrow_inputs": lambda values: _said(
                self._borrow(self._section("borrow_inputs", values))
            ),
        }

    @property
    def off(self) -> frozenset[str]:
        """The voices that the player has taken from follow; it is kept over a restart."""
        return self._engine.shared.follow_off

    def use(self, settings: FollowSettings) -> None:
        """Use a rig: the unit of follow is asked for if it is enabled."""
        self._enabled = settings.enabled
        self.ask_unit()
        if self.control is not None:  # voices and inputs may be others
            self.control.ask_follow({"voice": ALL, "act": "reload"}, time.monotonic())

    def ask_unit(self) -> None:
        """Ask for the unit of follow, or no more; without the folder nothing is asked."""
        with contextlib.suppress(OSError):
            request_follow(self._folder, self._enabled)

    # ------------------------------------------------------------ the loop

    def step(self, now_s: float) -> None:
        """Build a line for each voice that is meant to sound something else."""
        control = self.control
        if control is None or not control.has_expected:
            return
        if control.expected_restarts():
            self._watch.forget()
            for name in sorted(self.off):
                control.ask_follow({"voice": name, "act": "off"}, now_s)
            control.say_inputs("wanted" if self._borrowers else "", now_s)
        for name in self._watch.changed():
            line = self._watch.line(name, now_s)
            control.add_expected(line, now_s)
            self._catch_up()

    def gone(self, client: object) -> None:
        """Note that a client's connection has ended: one that borrowed the inputs, or follow."""
        if client in self._borrowers:
            self._borrowers.discard(client)
            if not self._borrowers:
                self._say_inputs("")
        if client is self._listener:
            self._listener = self._reported_s = None
            self._has_inputs = False

    def voices(self) -> dict[str, JsonObject]:
        """Return what follow believes of each voice; nothing where it does not run."""
        now_s = time.monotonic()
        runs = self._reported_s is not None and now_s - self._reported_s < GONE_S
        return self._voices if runs else {}

    def shown(self) -> dict[str, object]:
        """Return what ``status`` says of follow."""
        now_s = time.monotonic()
        runs = self._reported_s is not None and now_s - self._reported_s < GONE_S
        return {
            "enabled": self._enabled,
            "runs": runs,
            "off": sorted(self.off),
            "inputs": "lent" if self._borrowers else "",
            "voices": self._voices if runs else {},
        }

    def _say_inputs(self, inputs: str) -> None:
        if self.control is not None:
            self.control.say_inputs(inputs, time.monotonic())

    # ------------------------------------------------------------ commands

    def _section(self, command: str, values: JsonObject) -> Section:
        table = table_of(values, Place(command, 0))
        return Section(table, Faults(stop_after=8, suggestions=2), self._engine.rig.middle_c_octave)

    def _move(self, section: Section) -> str:
        voice = voice_of(self._engine, section, None)
        if voice == ALL:
            section.faults.add(section.at("voice"), f"found {ALL}; allowed: one voice")
        back = section.flag("back", False)
        touch_up = TouchUp(
            section.number("offset_cents", 0.0, *TOUCH_UP_OFFSET_CENTS, required=not back),
            section.number("stretch_cents", 0.0, *TOUCH_UP_STRETCH_CENTS),
            section.number("reference_cents", 6000.0, *TOUCH_UP_REFERENCE_CENTS),
            round(time.time(), 1),
        )
        sounding_cents = section.number("sounding_cents", 0.0, *FOLLOW_STEP_CENTS)
        check_complete(section)
        if not back:
            self._check_free(voice)
        self._act(commands.Follow(voice, None if back else touch_up, sounding_cents))
        return f"{voice}: taken back" if back else f"{voice}: {touch_up.offset_cents:+g} cents"

    def _check_free(self, voice: str) -> None:
        """Refuse a voice that is none of follow's business now."""
        engine = self._engine
        if {voice, ALL} & self.off:
            raise CommandError(f"{voice}: follow is off")
        if voice in engine.measuring.taken:
            raise CommandError(f"{voice}: is measured")
        if voice in engine.live.tonight.bypass:
            raise CommandError(f"{voice}: is bypassed")

    def _report(self, values: JsonObject) -> str:
        """Take what follow believes of each voice; unknown voices and keys are dropped."""
        voices = values.get("voices")
        if not isinstance(voices, dict) or len(voices) > MOST_REPORTED:
            raise CommandError("voices: found no table; needed: what is believed of each voice")
        names = self._engine.states
        self._voices = {
            name: {key: said[key] for key in _KNOWN_VALUES if key in said}
            for name, said in voices.items()
            if name in names and isinstance(said, dict)
        }
        self._listener = self._asking()
        self._reported_s = time.monotonic()
        wants_inputs = values.get("inputs") is not False
        if wants_inputs and not self._has_inputs and self._borrowers:
            return LENT
        self._has_inputs = wants_inputs
        return "reported"

    def _following(self, section: Section) -> str:
        voice = voice_of(self._engine, section, ALL)
        act = section.choice("act", "on", FOLLOW_ACTS, required=True)
        check_complete(section)
        return self.ask(voice, act)

    def ask(self, voice: str, act: str) -> str:
        """Do what the player asks of follow; return one line for the player.

        Raises:
            CommandError: it does not run, or has nothing to keep or take back.
        """
        now_s = time.monotonic()
        names = list(self._engine.states) if voice == ALL else [voice]
        if act == "off":
            self._engine.shared.follow_off |= {voice}
            for name in names:
                if name in self._engine.shared.follow:
                    self._act(commands.Follow(name, None))
        elif act == "on":
            # All on undoes all off; a voice that was taken out by itself stays so until the next.
            undone = {ALL} if voice == ALL and ALL in self.off else {ALL, *names}
            self._engine.shared.follow_off -= undone
        elif not any(self._knob(name) for name in names):
            raise CommandError(
                f"{voice}: no knob was turned that follow knows of; zerobeat status shows it"
            )
        left = sorted(self.off - {ALL}) if voice == ALL and act == "on" else []
        if self.control is not None:
            for name in (voice,) if voice == ALL and act in ("on", "off") else names:
                self.control.ask_follow({"voice": name, "act": act}, now_s)
            for name in left:
                self.control.ask_follow({"voice": name, "act": "off"}, now_s)
        said = {
            "on": "followed" + ("" if self.shown()["runs"] else ", once zerobeat follow runs"),
            "off": "not followed; what follow took out is back at the next note",
            "here": "in tune where it stands",
            "back": "taken out",
        }[act]
        if left:
            said += f"; {', '.join(left)} still off: zerobeat follow {left[0]}"
        return f"{voice}: {said}"

    def ask_by_foot(self, voice: str | None, act: str) -> str:
        """Do what a pedal asks; without an act it is switched off, or on again.

        Raises:
            CommandError: as for ``ask``.
        """
        self._engine.shared.names(voice)  # a reload may have taken it away
        name = voice or ALL
        return self.ask(name, act or ("on" if {name, ALL} & self.off else "off"))

    def _knob(self, name: str) -> bool:
        return self._voices.get(name, {}).get("knob_cents") is not None

    def _borrow(self, section: Section) -> str:
        check_complete(section)
        self._borrowers.add(self._asking())
        self._say_inputs("wanted")
        # However long ago its last report: it may be opening them, and its end is noticed.
        return "wait" if self._has_inputs else "free"


def _said(text: str) -> DeferredAnswer:
    answer = DeferredAnswer()
    answer.resolve({"ok": True, "said": text}, time.monotonic())
    return answer

"""The commands of the control socket; values obey the rules of the files.

| command | takes |
| --- | --- |
| `recall` | `scene`: a title, `next`, `previous` or a program's number as text |
| `set` | `voice` (or `all`) and `changes`: keys and values as in a scene file |
| `set_scene` | `changes`: what a scene file says, but for its program, title and voices |
| `tonight` | at least one of `concert_a_hz`, `set_list`, `transpose_semitones`, `transpose_cents`,
  `transpose_degrees` |
| `hold` | `hold`, and `voice` for one voice alone |
| `trigger`, `cancel`, `panic` | nothing |
| `undo` | nothing; takes back the last change of a setting |
| `bypass` | `voice` (default `all`), `on` (default true), `keep_touch_up` (default false) |
| `solo`, `mute` | `voice` (`all` only to end it), `on` (default true) |
| `touch_up` | `voice`; `offset_cents`, `stretch_cents`, `reference` (a note) |
| `reload` | nothing; answered once the files have been read again |
| `play` | for measuring: `voice`; `note` and `bend_cents`, or `corrected` and `pitch_cents` |
| `release` | for measuring: `voice`; `all` ends the run |
| `needle` | for measuring: `voice`, `off_cents`, `where`, `turn`; the status shows it |

A `hold` or
`start_key` of null takes a voice's own away. A scale's file is read by the
client: the daemon takes a name, cents, or a scale written out. An answer's
`said` is one line for the player.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType

from ..config.context import Context
from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.json_source import node_of, table_of
from ..config.scene_file import read_scene_changes
from ..config.scene_voices import HOLDS, read_changes
from ..config.yaml_source import Node, Scalar
from ..engine import commands
from ..engine.engine import Engine
from ..engine.live_settings import AT_ONCE
from ..engine.settings import Hold, Scene, VoiceSettings
from ..errors import CommandError, MeasuringStoppedError, ZerobeatError, allow_suggestions, one_of
from ..json_value import JsonObject
from ..ports.deferred_answer import Answer, DeferredAnswer
from ..ports.interruptions import Interruptions
from ..text import printable
from .global_commands import ALL, GlobalCommands, check_complete, voice_of
from .measuring_client import MeasuringRun

WAITS: dict[Hold, str] = {
    "none": "is in force",
    "note": "waits for the next note",
    "trigger": "waits for a trigger",
    "sample": "waits for a trigger",
}
LONGEST_ERROR = 2000  # characters of an answer
KEEPS_SETTINGS = (
    *("undo", "play", "release", "needle", "trigger", "panic", "store"),
    *("follow_move", "follow_report", "following", "borrow_inputs"),
)
STEPS = {"next": 1, "previous": -1}
_UNSET = ("hold", "start_key")  # of a voice; null is a value of theirs
_SCENE_PARTS = ("zones", *AT_ONCE)
_SETTINGS = tuple(field.name for field in fields(VoiceSettings))


SUGGESTIONS = 2  # near names that one command may look for


def few_faults() -> Faults:
    """Return the faults of a command: it is read on the thread that plays."""
    return Faults(stop_after=8, suggestions=SUGGESTIONS)


class _LiveContext(Context):
    """The rig in force; no file is read on the thread that plays."""

    def look_up(self, name: str, kinds: tuple[str, ...], place: Place) -> Path | None:
        self.faults.add(place, f"found the file {name}; allowed: a name, cents, or all written out")
        return None


class SocketCommands:
    """Turns requests into commands for the engine.

    Args:
        engine: whose rig and settings the requests are about.
        act: hands a command to the engine; raises ``CommandError``.
        asking: returns a token for the client that asks.
        more: commands that are handled elsewhere; some answer later.
        interruptions: what MIDI may interrupt.
    """

    def __init__(
        self,
        engine: Engine,
        act: Callable[[commands.Command], None],
        asking: Callable[[], object] = lambda: "the only one",
        more: Mapping[str, Callable[[JsonObject], DeferredAnswer]] = MappingProxyType({}),
        interruptions: Interruptions | None = None,
    ) -> None:
        self._engine = engine
        self._act = act
        self._asking = asking
        self._more = more
        self._interruptions = interruptions or Interruptions()
        self.measuring = MeasuringRun(engine, act)
        self._known: dict[str, Callable[[Section], str]] = {
            "recall": self._recall,
            "set": self._set,
            "set_scene": self._set_scene,
            "hold": self._hold,
            "trigger": lambda section: self._plain(section, commands.TriggerNow(), "triggered"),
            "cancel": lambda section: self._plain(
                section, commands.CancelWaiting(), "nothing waits now"
            ),
            "panic": lambda section: self._plain(section, commands.Panic(), "every note released"),
            "undo": self._undo,
            "play": lambda section: self._measure(section, self.measuring.play),
            "release": lambda section: self._measure(section, self.measuring.release),
            "needle": lambda section: self._measure(section, self.measuring.show_needle),
            **GlobalCommands(engine, act).known,
        }

    def answer(self, request: JsonObject) -> Answer | DeferredAnswer:
        """Carry out a request; return ``ok`` and ``said``, or ``error``, or a deferred answer."""
        allow_suggestions(SUGGESTIONS)
        command = request.get("command")
        names = [*self._known, *self._more]
        if not isinstance(command, str) or command not in names:
            allowed = one_of(str(command), (*names, "status", "follow", "expected"))
            return {
                "ok": False,
                "error": f"command: found {str(command)[:40]!r}; allowed: {allowed}",
            }
        values = {key: value for key, value in request.items() if key != "command"}
        try:
            with self._interruptions:
                section = None if command in self._more else self._section(command, values)
            if command not in KEEPS_SETTINGS:
                self._engine.undo.remember()
            if section is None:
                return self._more[command](values)
            said = self._known[command](section)
        except MeasuringStoppedError as error:
            return {"ok": False, "error": str(error), "stopped_by": error.by}
        except ZerobeatError as error:
            with self._interruptions:
                text = printable("; ".join(str(error).splitlines()), LONGEST_ERROR)
            return {"ok": False, "error": text}
        return {"ok": True, "said": said}

    def _section(self, command: str, values: JsonObject) -> Section:
        # A player who types "set reed detune 3" reads "detune", not "changes.detune".
        place = Place("set scene" if command == "set_scene" else command, 0)
        changes = values.get("changes")
        table = table_of({**values, "changes": None} if changes else values, place)
        if isinstance(changes, dict):
            table.entries["changes"] = table_of(changes, place)
        elif changes:
            table.entries["changes"] = node_of(changes, Place(place.file, 0, "changes"))
        return Section(table, few_faults(), self._engine.rig.middle_c_octave)

    def _plain(self, section: Section, command: commands.Command, said: str) -> str:
        check_complete(section)
        self._act(command)
        return said

    def _undo(self, section: Section) -> str:
        check_complete(section)
        self._act(commands.Undo())
        return f"taken back: {self._engine.undo.taken_back}"

    # ------------------------------------------------------------ scenes

    def _recall(self, section: Section) -> str:
        """A title first; else the words next and previous, else a program as the player counts."""
        name = section.text("scene", "", required=True)
        check_complete(section)
        engine = self._engine
        live = engine.live
        if name in live.bank:
            self._act(commands.RecallScene(name))
        elif name in STEPS:
            self._act(commands.StepScene(STEPS[name]))
        elif name.isascii() and name.isdecimal() and len(name) <= 3:
            first = engine.rig.program_numbers_from
            number = int(name)
            if not first <= number <= first + 127:
                raise CommandError(f"program: found {number}; allowed: {first} to {first + 127}")
            self._act(commands.RecallProgram(number - first))
        else:
            allowed = one_of(name, live.bank) or "none, the rig lists no scenes"
            raise CommandError(
                f"scene: found {name[:60]!r}; allowed: {allowed}; "
                "next, previous, or a program's number"
            )
        return f"scene {live.wanted_scene.name} {self._scene_waits()}"

    def _scene_waits(self) -> str:
        live = self._engine.live
        return WAITS["none" if live.waiting_scene is None else live.waiting_hold]

    def _set_scene(self, section: Section) -> str:
        live = self._engine.live
        base = live.wanted_base_scene
        inner = section.section("changes", required=True)
        changed = base
        if inner is not None:
            with self._interruptions:
                changed = read_scene_changes(inner, base, self._context(section.faults))
        check_complete(section)
        self._change_scene(base, changed)
        return f"scene {base.name}: {self._keys(inner)} {self._scene_waits()}"

    def _change_scene(self, base: Scene, changed: Scene) -> None:
        changes = tuple(
            (name, getattr(changed, name))
            for name in _SCENE_PARTS
            if getattr(changed, name) != getattr(base, name)
        )
        if changes:
            self._act(commands.ChangeScene(changes))

    def _hold(self, section: Section) -> str:
        hold: Hold = section.choice("hold", "note", HOLDS, required=True)
        voice = voice_of(self._engine, section, None) if section.has("voice") else None
        check_complete(section)
        if voice is None:
            self._act(commands.ChangeScene((("hold", hold),)))
        else:
            self._act(commands.ChangeVoice(voice, (("hold", hold),)))
        return f"hold {hold}{'' if voice is None else f' for {voice}'}"

    # ------------------------------------------------------------ voices

    def _set(self, section: Section) -> str:
        name = voice_of(self._engine, section, None)
        inner = section.section("changes", required=True)
        check_complete(section)
        assert inner is not None
        states = self._engine.states
        with self._interruptions:
            context = self._context(few_faults())
        wanted: list[commands.ChangeVoice] = []
        alike: object = None
        changes: tuple[tuple[str, object], ...] = ()
        for voice in states if name == ALL else (name,):
            base = states[voice].wanted_base
            kind = (base, voice in context.drones)
            if kind != alike:  # most voices are alike, and keys wait while this reads
                with self._interruptions:
                    alike, changes = kind, self._changes(voice, base, inner, context)
            if changes:
                wanted.append(commands.ChangeVoice(voice, changes))
        if len(wanted) == len(states) and all(one.changes == changes for one in wanted):
            self._act(commands.ChangeVoice(None, changes))  # one command costs less than many
        else:
            for change in wanted:
                self._act(change)
        holds = {
            states[change.voice or ""].waiting_hold
            for change in wanted
            if states[change.voice or ""].waiting is not None
        }
        said = " or ".join(sorted(WAITS[hold] for hold in holds)) or WAITS["none"]
        return f"{name}: {self._keys(inner)} {said}"

    @staticmethod
    def _changes(
        voice: str, base: VoiceSettings, section: Section, context: Context
    ) -> tuple[tuple[str, object], ...]:
        """Return the fields of a voice's settings that differ as a section says."""
        entries = section.table.entries
        unset = [key for key in _UNSET if key in entries and _is_null(entries[key])]
        kept = {key: node for key, node in entries.items() if key not in unset}
        table = replace(section.table, entries=kept, key_lines=dict.fromkeys(kept, 0))
        inner = Section(table, context.faults, section.middle_c_octave)
        settings = read_changes(inner, voice, base, context)
        context.faults.raise_any()
        settings = replace(settings, **dict.fromkeys(unset))  # type: ignore[arg-type]
        return tuple(
            (name, getattr(settings, name))
            for name in _SETTINGS
            if getattr(settings, name) != getattr(base, name)
        )

    def _context(self, faults: Faults) -> Context:
        return _LiveContext.of_rig(self._engine.rig, Path("/"), None, faults)

    @staticmethod
    def _keys(section: Section | None) -> str:
        return "nothing" if section is None else ", ".join(section.table.entries) or "nothing"

    def _measure(self, section: Section, do: Callable[[Section, str, object, float], str]) -> str:
        voice = voice_of(self._engine, section, ALL)
        return do(section, voice, self._asking(), time.monotonic())


def _is_null(node: Node) -> bool:
    return isinstance(node, Scalar) and node.plain and node.text == ""

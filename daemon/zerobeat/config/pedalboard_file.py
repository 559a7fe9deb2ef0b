"""Pedalboard files: which switch or pedal does what."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from .faults import Faults
from .fields import Section
from .yaml_source import read_yaml

Kind = Literal["trigger", "momentary", "toggle", "follow"]
ACTIONS = (
    "recall", "next", "previous", "store", "revert", "cancel", "trigger", "hold", "bypass",
    "solo", "mute", "panic", "sustain", "go_on", "set",
)  # fmt: skip
HOLDS = ("none", "note", "trigger", "sample")
SETTINGS = ("detune_cents", "detune_beats_hz", "semitones", "octaves", "degrees")
_SOURCES = ("controller", "note", "program")
_LATCHING = ("hold", "bypass", "solo", "mute", "sustain")


@dataclass(frozen=True, slots=True)
class Binding:
    """One switch or pedal and what it does.

    ``source`` says what the pedalboard sends; ``number`` is the controller,
    note or program as on the wire, None for any program. With action
    ``recall`` and no scene, the program that arrives chooses the scene.
    """

    source: Literal["controller", "note", "program"]
    number: int | None
    action: str
    channel: int | None = None  # None: any
    kind: Kind = "trigger"
    debounce_s: float = 0.02  # switches only; the first edge acts at once
    long_press_s: float = 0.0  # above 0: acts only when held so long
    feedback: bool = False  # light sent back to the pedalboard
    voice: str | None = None  # None: all voices
    scene: str | None = None
    hold: str | None = None
    setting: str | None = None  # of VoiceSettings, with action set
    lowest: float = 0.0  # what a pedal at heel and toe means
    highest: float = 0.0
    pick_up: bool = True  # a pedal acts when it passes the value in force


@dataclass(frozen=True, slots=True)
class Pedalboard:
    """What the feet can do."""

    name: str
    bindings: tuple[Binding, ...]
    ignore_banks: bool = False


def load_pedalboard(path: Path, program_numbers_from: int = 1) -> Pedalboard:
    """Return the bindings of a pedalboard file.

    Raises:
        ConfigError: all faults of the file.
    """
    faults = Faults()
    pedalboard = read_pedalboard(path, faults, program_numbers_from)
    faults.raise_any()
    assert pedalboard is not None
    return pedalboard


def read_pedalboard(
    path: Path, faults: Faults, program_numbers_from: int = 1, middle_c_octave: int = 4
) -> Pedalboard | None:
    """Return the bindings of a file, or None; faults are added."""
    table = read_yaml(path, faults)
    if table is None:
        return None
    section = Section(table, faults, middle_c_octave)
    section.node("bindings", required=True, allowed="a list of switches and pedals")
    sections = [section.within(item) for item in section.items("bindings")]
    bindings = [_binding(inner, program_numbers_from) for inner in sections if inner is not None]
    pedalboard = Pedalboard(
        name=section.text("title", path.stem),
        bindings=tuple(binding for binding in bindings if binding is not None),
        ignore_banks=section.flag("ignore_banks", False),
    )
    section.close()
    return pedalboard


def _binding(section: Section, first_program: int) -> Binding | None:
    sources = [source for source in _SOURCES if section.has(source)]
    if len(sources) != 1:
        text = f"found {len(sources)} of controller, note, program; allowed: one of them"
        section.faults.add(section.place, text)
        section.asked += _SOURCES
    source: Any = sources[0] if sources else "controller"
    number = _number(section, source, first_program)
    action = section.choice("action", "trigger", ACTIONS, required=True)
    binding = Binding(
        source=source,
        number=number,
        action=action,
        channel=section.channel("channel_number", None),
        kind=section.choice(
            "kind", _usual_kind(action), ("trigger", "momentary", "toggle", "follow")
        ),
        debounce_s=section.number("debounce_ms", 20.0, 0.0, 1000.0) / 1000.0,
        long_press_s=section.number("long_press_s", 0.0, 0.0, 10.0),
        feedback=section.flag("feedback", False),
        voice=section.text("voice", None),
        scene=section.text("scene", None),
        hold=section.choice("hold", None, HOLDS),
        setting=section.choice("setting", None, SETTINGS),
        lowest=section.number("lowest", 0.0, -1200.0, 1200.0),
        highest=section.number("highest", 0.0, -1200.0, 1200.0),
        pick_up=section.flag("pick_up", True),
    )
    section.close()
    _check(section, binding)
    return binding if len(sources) == 1 else None


def _number(section: Section, source: str, first_program: int) -> int | None:
    if source == "note":
        return section.note("note", 0)
    if source == "controller":
        return section.whole("controller", 0, 0, 127)
    node = section.table.entries["program"]
    if getattr(node, "text", "") == "any":
        section.asked.append("program")
        return None
    number = section.whole("program", first_program, first_program, first_program + 127)
    return number - first_program


def _usual_kind(action: str) -> Kind:
    if action == "set":
        return "follow"
    return "momentary" if action == "sustain" else "toggle" if action in _LATCHING else "trigger"


def _check(section: Section, binding: Binding) -> None:
    def need(key: str, why: str) -> None:
        section.faults.add(section.at(key), f"found nothing; needed: {why}")

    if binding.action == "hold" and binding.hold is None:
        need("hold", f"with action hold, one of {', '.join(HOLDS)}")
    if binding.action == "set":
        if binding.setting is None:
            need("setting", f"with action set, one of {', '.join(SETTINGS)}")
        if binding.lowest == binding.highest:
            need("highest", "with action set, lowest and highest that differ")
    if (binding.kind == "follow") != (binding.action == "set"):
        text = f"found {binding.kind} with action {binding.action}; allowed: follow with set only"
        section.faults.add(section.at("kind"), text)
    if binding.kind == "follow" and binding.source != "controller":
        text = f"found follow with {binding.source}; allowed: follow with a controller"
        section.faults.add(section.at("kind"), text)

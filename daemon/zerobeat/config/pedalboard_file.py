"""Pedalboard files: the bindings of switches and pedals."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..engine.limits import GLIDE_MS, PEDAL_VALUE, TRANSPOSITIONS, Range
from ..engine.pedals.bindings import (
    ACTIONS,
    KINDS,
    ON_OFF,
    SETTINGS,
    SOURCES,
    UNITS,
    Binding,
    Kind,
    Pedalboard,
)
from .faults import Faults
from .fields import Section
from .scene_voices import HOLDS
from .yaml_source import Scalar, read_yaml


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
    return read_pedalboard_section(
        Section(table, faults, middle_c_octave), path.stem, program_numbers_from
    )


def read_pedalboard_section(section: Section, name: str, program_numbers_from: int) -> Pedalboard:
    """Return the bindings of a section; faults are added."""
    section.node("bindings", required=True, allowed="a list of switches and pedals")
    sections = [section.within(item) for item in section.items("bindings")]
    bindings = [
        read_binding(inner, program_numbers_from) for inner in sections if inner is not None
    ]
    pedalboard = Pedalboard(
        name=section.text("title", name),
        bindings=tuple(binding for binding in bindings if binding is not None),
        ignore_banks=section.flag("ignore_banks", False),
        relight=section.flag("relight", False),
    )
    section.close()
    return pedalboard


def read_binding(
    section: Section, first_program: int, other_keys: tuple[str, ...] = ()
) -> Binding | None:
    """Return one binding, or None; faults are added. ``other_keys`` are read by the caller."""
    section.asked += other_keys
    sources = [source for source in SOURCES if section.has(source)]
    if len(sources) != 1:
        text = f"found {len(sources)} of {', '.join(SOURCES)}; allowed: one of them"
        section.faults.add(section.place, text)
        section.asked += SOURCES
    source: Any = sources[0] if sources else "controller"
    number = _number(section, source, first_program)
    action = section.choice("action", "trigger", ACTIONS, required=True)
    binding = Binding(
        source=source,
        number=number,
        action=action,
        channel=section.channel("channel_number", None),
        kind=section.choice("kind", _usual_kind(section, source, action), KINDS),
        debounce_s=section.number("debounce_ms", 20.0, 0.0, 1000.0) / 1000.0,
        long_press_s=section.number("long_press_s", 0.0, 0.0, 10.0),
        feedback=section.flag("feedback", False),
        voice=section.text("voice", None),
        scene=section.text("scene", None),
        hold=section.choice("hold", None, HOLDS),
        setting=section.choice("setting", None, SETTINGS),
        lowest=section.number("lowest", 0.0, *_values(section)),
        highest=section.number("highest", 0.0, *_values(section)),
        pick_up=section.flag("pick_up", True),
        to=section.number("to", None, *_values(section)),
        by=section.number("by", None, *_values(section, step=True)),
        keep_touch_up=section.flag("keep_touch_up", False),
        unit=section.choice("unit", "semitones", UNITS),
    )
    section.close()
    _check_needed(section, binding)
    _check_kind(section, binding)
    return binding if len(sources) == 1 else None


def _values(section: Section, step: bool = False) -> Range[float]:
    """Return the values that a pedal may set, or the steps by which it may move them."""
    node = section.table.entries.get("setting")
    if isinstance(node, Scalar) and node.text == "glide_ms":
        return Range(-GLIDE_MS.highest if step else GLIDE_MS.lowest, GLIDE_MS.highest)
    return PEDAL_VALUE


def _number(section: Section, source: str, first_program: int) -> int | None:
    if source == "note":
        return section.note("note", 0)
    if source == "controller":
        return section.whole("controller", 0, 0, 127)
    node = section.table.entries.get("program")
    if getattr(node, "text", "") == "any":
        section.asked.append("program")
        return None
    number = section.whole("program", first_program, first_program, first_program + 127)
    return number - first_program


def _usual_kind(section: Section, source: str, action: str) -> Kind:
    if action == "set" and source == "controller" and not _is_step(section):
        return "follow"
    if action in ("sustain", "set_root"):
        return "momentary"
    if action in ("set", "transpose"):
        return "trigger"
    return "toggle" if action in ON_OFF else "trigger"


def _is_step(section: Section) -> bool:
    return section.has("to") or section.has("by")


def _check_needed(section: Section, binding: Binding) -> None:
    def need(key: str, why: str) -> None:
        section.faults.add(section.at(key), f"found nothing; needed: {why}")

    action = binding.action
    if action == "hold" and binding.hold is None:
        need("hold", f"with action hold, one of {', '.join(HOLDS)}")
    if action in ("mute", "solo") and binding.voice is None:
        need("voice", f"with action {action}, one voice")
    if action == "set" and binding.setting is None:
        need("setting", f"with action set, one of {', '.join(SETTINGS)}")
    if binding.kind == "follow":
        if action == "set" and binding.lowest == binding.highest:
            need("highest", "with action set, lowest and highest that differ")
    elif action in ("set", "transpose") and (binding.to is None) == (binding.by is None):
        need("to", f"with action {action} by a switch, one of to (a value) and by (a step)")


def _check_kind(section: Section, binding: Binding) -> None:
    def refuse(key: str, text: str) -> None:
        section.faults.add(section.at(key), text)

    kind, source, action = binding.kind, binding.source, binding.action
    if kind == "follow" and action != "set":
        refuse("kind", f"found {kind} with action {action}; allowed: follow with set only")
    if kind == "follow" and source != "controller":
        refuse("kind", f"found follow with {source}; allowed: follow with a controller")
    if source == "program" and kind in ("momentary", "latching"):
        refuse("kind", f"found {kind} with program, which has no release; allowed: trigger, toggle")
    if source == "program" and binding.long_press_s:
        refuse("long_press_s", "found it with program, which has no release; allowed: with others")
    if kind == "momentary" and action not in ON_OFF:
        refuse("kind", f"found momentary with action {action}; allowed: with {', '.join(ON_OFF)}")
    if binding.feedback and source == "program" and binding.number is not None:
        refuse("feedback", "found it with one program; allowed: with a controller, a note, or any")
    if binding.keep_touch_up and action != "bypass":
        refuse("keep_touch_up", f"found it with action {action}; allowed: with bypass")
    if action == "transpose":
        _check_transposition(section, binding)
    elif section.has("unit"):
        refuse("unit", f"found it with action {action}; allowed: with transpose")


def _check_transposition(section: Section, binding: Binding) -> None:
    limits, whole = TRANSPOSITIONS[binding.unit], binding.unit != "cents"
    for key in ("to", "by"):
        value = getattr(binding, key)
        if value is not None and (value not in limits or (whole and value != int(value))):
            allowed = f"{'whole ' if whole else ''}{binding.unit}, {limits}"
            section.faults.add(section.at(key), f"found {value:g}; allowed: {allowed}")

"""Reads and writes ``bindings.yaml`` of the state directory, the bindings that were learned."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.json_source import table_of
from ..config.pedalboard_file import read_binding
from ..config.yaml_out import block
from ..config.yaml_source import Table, parse_yaml
from ..engine.pedals.bindings import Binding, Learned

MOST_LEARNED = 256
_DEFAULT_BINDING = Binding("controller", 0, "trigger")


# ---------------------------------------------------------------- in


def read_learned(content: bytes, path: Path) -> tuple[tuple[Learned, ...], list[str]]:
    """Return the bindings in a file's content, and a warning for each that can't be used."""
    faults = Faults()
    table = parse_yaml(content, str(path), faults)
    if table is None:
        return (), [f"{line}; nothing that was learned is in force" for line in faults.lines()]
    section = Section(table, faults)
    first = section.whole("program_numbers_from", 1, 0, 1)
    learned: list[Learned] = []
    for node in section.items("bindings"):
        own = Faults()
        found = None
        if isinstance(node, Table):
            found = learned_of(Section(node, own), first)
        else:
            own.add(node.place, "found no switch; allowed: keys with values")
        if found is not None and not own.problems:
            learned.append(found)
        faults.problems += own.problems
    section.close()
    return tuple(learned[:MOST_LEARNED]), [f"{line}; left out" for line in faults.lines()]


def learned_of(section: Section, first_program: int) -> Learned | None:
    """Return a binding and its input from one mapping, or None; faults are added."""
    name = section.text("input", "", required=True)
    binding = read_binding(section, first_program)
    return None if binding is None else Learned(name, binding)


def learned_from(values: dict[str, Any], first_program: int, middle_c_octave: int) -> Learned:
    """Return a binding as a client sends it.

    Raises:
        ConfigError: what is wrong with it.
    """
    section = Section(table_of(values, Place("bind", 0)), Faults(), middle_c_octave)
    learned = learned_of(section, first_program)
    section.faults.raise_any()
    assert learned is not None
    return learned


# ---------------------------------------------------------------- out


def learned_to_yaml(learned: Sequence[Learned], first_program: int) -> str:
    """Return the text of the file; ``read_learned`` reads back the same."""
    plain = {
        "program_numbers_from": first_program,
        "bindings": [plain_learned(one, first_program) for one in learned],
    }
    return block(plain, opened=("bindings",))


def plain_learned(learned: Learned, first_program: int) -> dict[str, Any]:
    """Return a binding with the keys of a file, defaults left out."""
    binding = learned.binding
    number: int | str | None = binding.number
    if binding.source == "program":
        number = "any" if number is None else int(number) + first_program
    plain: dict[str, Any] = {"input": learned.input, binding.source: number}
    if binding.channel is not None:
        plain["channel_number"] = binding.channel + 1
    plain |= {"action": binding.action, "kind": binding.kind}
    if binding.debounce_s != _DEFAULT_BINDING.debounce_s:
        plain["debounce_ms"] = round(1000.0 * binding.debounce_s, 3)
    names = (
        "long_press_s",
        "feedback",
        "voice",
        "scene",
        "hold",
        "setting",
        "lowest",
        "highest",
        "pick_up",
        "to",
        "by",
        "keep_touch_up",
        "unit",
    )
    for name in names:
        value = getattr(binding, name)
        if value != getattr(_DEFAULT_BINDING, name):
            plain[name] = value
    return plain


# ---------------------------------------------------------------- merging


def with_learned(learned: Sequence[Learned], new: Learned) -> tuple[Learned, ...]:
    """Return the bindings with one more; it takes the place of one of the same switch.

    A short and a long press of one switch stand beside each other.
    """
    return (*(one for one in learned if _switch(one) != _switch(new)), new)


def _switch(learned: Learned) -> tuple[object, ...]:
    binding = learned.binding
    long = binding.long_press_s > 0
    return learned.input, binding.source, binding.number, binding.channel, long

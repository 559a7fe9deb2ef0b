"""One field at a time: type, range, unit, choice.

A ``Section`` reads the keys of one mapping. Each reader gives the value or,
after adding a fault, the default, so that all faults of a file come at once.
``close`` reports the keys that were not read.

Numbers and booleans follow YAML 1.2: ``true`` and ``false`` only, and digits
without leading zeros, underscores, colons, ``.inf`` or ``.nan``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from ..errors import NoteNameError, did_you_mean, one_of
from ..tuning.units import parse_note
from .faults import Faults, Place, escaped
from .yaml_source import Listing, Node, Scalar, Table

T = TypeVar("T")
_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]{0,17})\Z")
_NUMBER = re.compile(r"[-+]?((0|[1-9][0-9]*)(\.[0-9]*)?|\.[0-9]+)([eE][-+]?[0-9]+)?\Z")
_NOTHING = ("", "~", "null", "Null", "NULL")
_SPOILT = re.compile(r"[-+]?(0[0-7]+|0[xo][0-9a-fA-F]+|[0-9][0-9_]*_[0-9_]*|[0-9]+(:[0-9]+)+)\Z")

MOST_CHOICES = 10  # listed in full; of more, the nearest three

# Words with a meaning of their own where a name is expected: `zerobeat set scene hold note`.
RESERVED_NAMES = ("", "all", "none", "scene", "tonight")


def found(node: Node) -> str:
    """Return how a fault shows the value of a node."""
    if isinstance(node, Listing):
        return "a list"
    if isinstance(node, Table):
        return "keys with values"
    if not node.plain:
        return f'"{escaped(node.text)}" in quotes' if node.text else 'an empty text ""'
    return "nothing" if node.text in _NOTHING else escaped(node.text)


def is_nothing(node: Node) -> bool:
    """Return whether a key has no value."""
    return isinstance(node, Scalar) and node.plain and node.text in _NOTHING


def figure(value: float) -> str:
    """Return a limit as a fault shows it: ``12`` rather than ``12.0``."""
    return f"{value:g}"


# ---------------------------------------------------------------- single values


def read_whole(node: Node, faults: Faults, default: T, lowest: int, highest: int) -> int | T:
    """Return a whole number within two limits, else add a fault and return the default."""
    if isinstance(node, Scalar) and node.plain and _WHOLE.match(node.text):
        value = int(node.text)
        if lowest <= value <= highest:
            return value
    faults.add(
        node.place,
        f"found {found(node)}; allowed: a whole number, {lowest} to {highest}{_hint(node)}",
    )
    return default


def read_number(node: Node, faults: Faults, default: T, lowest: float, highest: float) -> float | T:
    """Return a finite number within two limits, else add a fault and return the default."""
    if isinstance(node, Scalar) and node.plain and _NUMBER.match(node.text):
        value = float(node.text)
        if math.isfinite(value) and lowest <= value <= highest:
            return value
    limits = f"{figure(lowest)} to {figure(highest)}"
    faults.add(node.place, f"found {found(node)}; allowed: a number, {limits}{_hint(node)}")
    return default


def read_text(node: Node, faults: Faults, default: T) -> str | T:
    """Return text that is not blank, quoted or not; ``no`` and ``12`` are text here."""
    if isinstance(node, Scalar) and not is_nothing(node) and node.text.strip():
        return node.text
    faults.add(node.place, f"found {found(node)}; allowed: a name or text")
    return default


def read_flag(node: Node, faults: Faults, default: bool) -> bool:
    """Return a boolean; only ``true`` and ``false`` are ones."""
    if isinstance(node, Scalar) and node.plain and node.text in ("true", "false"):
        return node.text == "true"
    faults.add(node.place, f"found {found(node)}; allowed: true or false")
    return default


def read_choice(node: Node, faults: Faults, default: Any, choices: Sequence[str]) -> Any:
    """Return one of some words."""
    if isinstance(node, Scalar):
        if node.text in choices:
            return node.text
        if len(choices) > MOST_CHOICES:
            faults.add(node.place, f"found {found(node)}; allowed: {one_of(node.text, choices)}")
            return default
        hint = did_you_mean(node.text, choices)
    else:
        hint = ""
    faults.add(node.place, f"found {found(node)}; allowed: {', '.join(choices)}{hint}")
    return default


def read_note(node: Node, faults: Faults, default: T, middle_c_octave: int) -> int | T:
    """Return a MIDI note, 0 to 127, from a number or a name such as ``C2`` or ``Eb-1``."""
    if isinstance(node, Scalar):
        if _WHOLE.match(node.text):
            value = int(node.text)
            if 0 <= value <= 127:
                return value
        elif not is_nothing(node):
            try:
                return parse_note(node.text, middle_c_octave)
            except NoteNameError:
                pass
    allowed = f"a note, 0 to 127 or a name such as C{middle_c_octave} (which is 60)"
    faults.add(node.place, f"found {found(node)}; allowed: {allowed}")
    return default


def read_items(node: Node, faults: Faults) -> tuple[Node, ...]:
    """Return the items of a list."""
    if isinstance(node, Listing):
        return node.items
    faults.add(node.place, f"found {found(node)}; allowed: a list, as [one, two]")
    return ()


def _hint(node: Node) -> str:
    if isinstance(node, Scalar) and node.plain and _SPOILT.match(node.text):
        return " (decimal digits only, no leading zero, no _ or :)"
    return ""


# ---------------------------------------------------------------- one mapping


@dataclass(slots=True)
class Section:
    """Reads the keys of one mapping and reports unknown ones."""

    table: Table
    faults: Faults
    middle_c_octave: int = 4
    asked: list[str] = field(default_factory=list)

    @property
    def place(self) -> Place:
        return self.table.place

    def has(self, key: str) -> bool:
        return key in self.table.entries

    def node(self, key: str, required: bool = False, allowed: str = "a value") -> Node | None:
        """Return the node of a key and count the key as known."""
        self.asked.append(key)
        node = self.table.entries.get(key)
        if node is None and required:
            self.faults.add(self.at(key), f"found nothing; needed: {allowed}")
        return node

    def at(self, key: str) -> Place:
        """Return the place of a key, or of the mapping if the key is missing."""
        node = self.table.entries.get(key)
        if node is not None:
            return node.place
        path = f"{self.place.key}.{key}" if self.place.key else key
        return Place(self.place.file, self.place.line, path)

    def whole(
        self, key: str, default: T, lowest: int, highest: int, required: bool = False
    ) -> int | T:
        node = self.node(key, required, f"a whole number, {lowest} to {highest}")
        return default if node is None else read_whole(node, self.faults, default, lowest, highest)

    def number(
        self, key: str, default: T, lowest: float, highest: float, required: bool = False
    ) -> float | T:
        node = self.node(key, required, f"a number, {figure(lowest)} to {figure(highest)}")
        return default if node is None else read_number(node, self.faults, default, lowest, highest)

    def text(self, key: str, default: T, required: bool = False) -> str | T:
        node = self.node(key, required, "a name or text")
        return default if node is None else read_text(node, self.faults, default)

    def flag(self, key: str, default: bool) -> bool:
        node = self.node(key)
        return default if node is None else read_flag(node, self.faults, default)

    def choice(self, key: str, default: Any, choices: Sequence[str], required: bool = False) -> Any:
        node = self.node(key, required, ", ".join(choices))
        return default if node is None else read_choice(node, self.faults, default, choices)

    def note(self, key: str, default: T) -> int | T:
        node = self.node(key)
        return (
            default if node is None else read_note(node, self.faults, default, self.middle_c_octave)
        )

    def channel(self, key: str, default: T, required: bool = False) -> int | T:
        """Return a channel as the engine counts it, 0 to 15, from a number 1 to 16."""
        node = self.node(key, required, "a channel number, 1 to 16")
        if node is None:
            return default
        number = read_whole(node, self.faults, None, 1, 16)
        return default if number is None else number - 1

    def items(self, key: str) -> tuple[Node, ...]:
        node = self.node(key)
        return () if node is None else read_items(node, self.faults)

    def names(self, key: str) -> tuple[str, ...]:
        """Return a list of names without repeats."""
        return self._distinct([(n, read_text(n, self.faults, None)) for n in self.items(key)])

    def choices(self, key: str, allowed: Sequence[str]) -> tuple[str, ...]:
        """Return a list of some words without repeats."""
        return self._distinct(
            [(n, read_choice(n, self.faults, None, allowed)) for n in self.items(key)]
        )

    def channels(self, key: str) -> tuple[int, ...]:
        """Return a list of channels, 0 to 15, from numbers 1 to 16, without repeats."""
        numbers = [(n, read_whole(n, self.faults, None, 1, 16)) for n in self.items(key)]
        return tuple(number - 1 for number in self._distinct(numbers))

    def _distinct(self, pairs: list[tuple[Node, Any]]) -> tuple[Any, ...]:
        kept: list[Any] = []
        for node, value in pairs:
            if value is None:
                continue
            if value in kept:
                self.faults.add(node.place, f"found {found(node)} a second time; allowed: once")
            else:
                kept.append(value)
        return tuple(kept)

    def section(self, key: str, required: bool = False) -> Section | None:
        """Return the mapping under a key."""
        node = self.node(key, required, "keys with values")
        return None if node is None else self.within(node)

    def within(self, node: Node) -> Section | None:
        """Return a node as a section, or add a fault if it is no mapping."""
        if isinstance(node, Table):
            return Section(node, self.faults, self.middle_c_octave)
        self.faults.add(node.place, f"found {found(node)}; allowed: keys with values")
        return None

    def named_sections(
        self, key: str, required: bool = False, hint_for_all: str = ""
    ) -> Iterator[tuple[str, Section]]:
        """Yield each name and mapping under a key, such as the voices."""
        holder = self.section(key, required)
        if holder is None:
            return
        if required and not holder.table.entries:
            self.faults.add(holder.place, "found no entry; needed: at least one")
        for name, node in holder.table.entries.items():
            self._check_name(name, node, hint_for_all)
            inner = holder.within(node)
            if inner is not None:
                yield name, inner

    def _check_name(self, name: str, node: Node, hint_for_all: str) -> None:
        if (
            name in RESERVED_NAMES
            or not name.isprintable()
            or name != name.strip()
            or len(name) > 40
        ):
            reserved = ", ".join(RESERVED_NAMES[1:])
            allowed = f"a name of up to 40 printable characters other than {reserved}"
            hint = hint_for_all if name == "all" else ""
            self.faults.add(node.place, f"found the name {escaped(name)}; allowed: {allowed}{hint}")

    def close(self) -> None:
        """Add a fault for each key that was not read."""
        known = list(dict.fromkeys(self.asked))
        for key, line in self.table.key_lines.items():
            if key not in known:
                path = (
                    f"{self.place.key}.{escaped(key, 40)}" if self.place.key else escaped(key, 40)
                )
                place = Place(self.place.file, line, path)
                self.faults.add(place, f"found unknown key; allowed: {one_of(key, known)}")

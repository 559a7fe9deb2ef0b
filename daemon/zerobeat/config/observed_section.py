"""Watches the readers of files: which keys they ask for, of which type, range and default.

The key reference and the schemas are made from what is seen here, so that they can't say
anything else than what is read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from .faults import Faults
from .fields import Section
from .yaml_source import Node, Table

FactType = Literal[
    "whole number",
    "number",
    "text",
    "true or false",
    "one of",
    "note",
    "channel number",
    "list",
    "list of names",
    "list of words",
    "list of channel numbers",
    "keys",
    "special",
]


@dataclass(frozen=True, slots=True)
class KeyFact:
    """What a reader says of a key.

    Attributes:
        path: keys from the top of the file; ``NAME`` is any name, ``[]`` an item of a list.
        lowest, highest: limits, None where there are none.
        default: None: nothing, or what another key or file says.
    """

    path: tuple[str, ...]
    type: FactType
    lowest: float | None = None
    highest: float | None = None
    default: object = None
    choices: tuple[str, ...] = ()
    required: bool = False


@dataclass(slots=True)
class Observations:
    """What the readers of one kind of file have asked for, by path."""

    facts: dict[tuple[str, ...], KeyFact] = field(default_factory=dict)
    named: set[tuple[str, ...]] = field(default_factory=set)  # keys over names of the player's

    def add(self, fact: KeyFact) -> None:
        known = self.facts.get(fact.path)
        if known is None or (known.type == "special" and fact.type != "special"):
            self.facts[fact.path] = fact


class ObservedSection(Section):
    """A section that notes what it is asked for."""

    def __init__(
        self, table: Table, faults: Faults, path: tuple[str, ...], seen: Observations
    ) -> None:
        super().__init__(table, faults)
        self.path = path
        self.seen = seen

    def _note(self, key: str, what: FactType, **facts: Any) -> None:
        self.seen.add(KeyFact((*self.path, key), what, **facts))

    # ------------------------------------------------------------ values

    def node(self, key: str, required: bool = False, allowed: str = "a value") -> Node | None:
        self._note(key, "special", required=required)
        return super().node(key, required, allowed)

    def whole(
        self, key: str, default: Any, lowest: int, highest: int, required: bool = False
    ) -> Any:
        self._note(
            key, "whole number", default=default, lowest=lowest, highest=highest, required=required
        )
        return super().whole(key, default, lowest, highest, required)

    def number(
        self, key: str, default: Any, lowest: float, highest: float, required: bool = False
    ) -> Any:
        self._note(
            key, "number", default=default, lowest=lowest, highest=highest, required=required
        )
        return super().number(key, default, lowest, highest, required)

    def text(self, key: str, default: Any, required: bool = False) -> Any:
        self._note(key, "text", default=default or None, required=required)
        return super().text(key, default, required)

    def flag(self, key: str, default: bool) -> bool:
        self._note(key, "true or false", default=default)
        return super().flag(key, default)

    def choice(self, key: str, default: Any, choices: Sequence[str], required: bool = False) -> Any:
        self._note(key, "one of", default=default, choices=tuple(choices), required=required)
        return super().choice(key, default, choices, required)

    def note(self, key: str, default: Any) -> Any:
        self._note(key, "note", default=default, lowest=0, highest=127)
        return super().note(key, default)

    def channel(self, key: str, default: Any, required: bool = False) -> Any:
        self._note(key, "channel number", lowest=1, highest=16, required=required)
        return super().channel(key, default, required)

    # ------------------------------------------------------------ lists and mappings

    def items(self, key: str) -> tuple[Node, ...]:
        self._note(key, "list")
        return super().items(key)

    def names(self, key: str) -> tuple[str, ...]:
        self._note(key, "list of names")
        return super().names(key)

    def choices(self, key: str, allowed: Sequence[str]) -> tuple[str, ...]:
        self._note(key, "list of words", choices=tuple(allowed))
        return super().choices(key, allowed)

    def channels(self, key: str) -> tuple[int, ...]:
        self._note(key, "list of channel numbers", lowest=1, highest=16)
        return super().channels(key)

    def section(self, key: str, required: bool = False) -> Section | None:
        self._note(key, "keys", required=required)
        return super().section(key, required)

    def named_sections(
        self, key: str, required: bool = False, hint_for_all: str = ""
    ) -> Iterator[tuple[str, Section]]:
        self._note(key, "keys", required=required)
        self.seen.named.add((*self.path, key))
        return super().named_sections(key, required, hint_for_all)

    def within(self, node: Node) -> Section | None:
        if not isinstance(node, Table):
            return super().within(node)
        return ObservedSection(node, self.faults, self._path_of(node), self.seen)

    def _path_of(self, node: Table) -> tuple[str, ...]:
        if self.path in self.seen.named:
            return (*self.path, "NAME")
        for key, held in self.table.entries.items():
            if held is node:
                return (*self.path, key)
            if any(item is node for item in getattr(held, "items", ())):
                return (*self.path, key, "[]")
        return self.path

    def close(self) -> None:
        for key in self.asked:
            self._note(key, "special")
        super().close()

"""Reads YAML into nodes that know the file, line and key of each value.

``read_yaml`` refuses what a YAML parser accepts:
a key given twice, anchors and aliases, tags, a second document, tabs, bytes
that are not UTF-8, and anything but an ordinary file. All faults go into
``Faults``, which sorts them by file and line.

Values are not guessed: a scalar stays text here, and ``fields`` reads it as
YAML 1.2 would, so ``no`` is a word and ``010`` is not eight.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from ..errors import ConfigError
from ..text import is_unicode
from .faults import Faults, Place, escaped
from .file_format import newer_yaml

LARGEST_FILE_BYTES = (
    500_000  # a rig of 16 voices is under 10,000, a profile of 4,000 readings 240,000
)
DEEPEST_NESTING = 20
LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


# ---------------------------------------------------------------- nodes


@dataclass(frozen=True, slots=True)
class Scalar:
    place: Place
    text: str
    plain: bool  # False: in quotes, so it is text and nothing else


@dataclass(frozen=True, slots=True)
class Listing:
    place: Place
    items: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class Table:
    place: Place
    entries: dict[str, Node]
    key_lines: dict[str, int]


Node = Scalar | Listing | Table


# ---------------------------------------------------------------- files


def read_bytes(path: Path, largest: int = LARGEST_FILE_BYTES) -> bytes:
    """Return the content of an ordinary file.

    Raises:
        ConfigError: one line that says what is wrong with the file: missing,
            no permission, a directory, a pipe or device, too large. A pipe is
            not waited for.
    """
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except (OSError, ValueError) as error:
        raise ConfigError([f"{path}: cannot be opened: {_reason(error)}"]) from None
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode):
        os.close(handle)
        what = "a directory" if stat.S_ISDIR(mode) else "a pipe, socket or device"
        raise ConfigError([f"{path}: found {what}; allowed: an ordinary file"])
    with os.fdopen(handle, "rb") as file:
        try:
            content = file.read(largest + 1)
        except OSError as error:
            raise ConfigError([f"{path}: cannot be read: {_reason(error)}"]) from None
    if len(content) > largest:
        raise ConfigError([f"{path}: found more than {largest:,} bytes; allowed: no more"])
    return content


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


def read_yaml(path: Path, faults: Faults) -> Table | None:
    """Return the top mapping of a YAML file, or None when nothing can be read from it.

    Faults of the file itself, and keys given twice, are added to ``faults``.
    """
    try:
        content = read_bytes(path)
    except ConfigError as error:
        place, _, text = error.problems[0].partition(": ")
        faults.add(Place(place, 0), text)
        return None
    return parse_yaml(content, str(path), faults)


def parse_yaml(content: bytes, file: str, faults: Faults) -> Table | None:
    """Return the top mapping of YAML bytes; like ``read_yaml``."""
    newer = newer_yaml(content)
    if newer:
        faults.add(Place(file, 1), newer)
        return None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        faults.add(Place(file, line), "found bytes that are not UTF-8; allowed: UTF-8 text")
        return None
    top = _compose(text, file, faults)
    _add_lost_sharps(text, file, faults)
    if top is None:
        return None
    if not isinstance(top, Table):
        faults.add(
            top.place, "found a list or a single value; allowed: keys with values, as 'key: value'"
        )
        return None
    return top


def _add_lost_sharps(text: str, file: str, faults: Faults) -> None:
    """Refuse ``scale: dorian #4``, which YAML reads as dorian and a comment."""
    for number, line in enumerate(text.splitlines(), 1):
        match = _LOST_SHARP.search(line)
        if match:
            whole = match[1].strip()
            faults.add(
                Place(file, number),
                f'found {whole}, where YAML takes "#" for a comment; write "{whole}" in quotes',
            )


_LOST_SHARP = re.compile(r"""\bscale:\s+([^'"#\[{]+\s#\d[^,}]*)""")


# ---------------------------------------------------------------- from events to nodes


class _Refused(Exception):
    """Ends the reading of this file; the fault has been added already."""


def _compose(text: str, file: str, faults: Faults) -> Node | None:
    own = Faults()
    try:
        try:
            top = _Builder(file, own).build(yaml.parse(text, Loader=LOADER))
        except yaml.YAMLError:
            # The C parser words its errors differently; the pure one speaks for both.
            own = Faults()
            top = _Builder(file, own).build(yaml.parse(text, Loader=yaml.SafeLoader))
    except yaml.YAMLError as error:
        own.add(*_syntax_fault(text, file, error))
        top = None
    except _Refused:
        top = None
    else:
        if top is None or (isinstance(top, Scalar) and top.plain and not top.text):
            own.add(Place(file, 0), "found nothing in the file; allowed: keys with values")
            top = None
    faults.problems += own.problems
    return top


def _syntax_fault(text: str, file: str, error: yaml.YAMLError) -> tuple[Place, str]:
    mark = getattr(error, "problem_mark", None)
    problem = getattr(error, "problem", None) or getattr(error, "reason", None) or "cannot be read"
    if mark is None:
        position = getattr(error, "position", None) or 0
        line = text[:position].count("\n") + 1
        return Place(file, line), f"found a control character; allowed: text ({problem})"
    if "\\t" in problem:
        return Place(file, mark.line + 1), "found a tab; allowed: spaces before a key"
    return Place(file, mark.line + 1), f"no YAML at column {mark.column + 1}: {problem}"


class _Builder:
    """Builds nodes from parser events: no alias is ever followed, no depth recursed."""

    def __init__(self, file: str, faults: Faults) -> None:
        self.file = file
        self.faults = faults

    def build(self, events: Any) -> Node | None:
        top: Node | None = None
        open_nodes: list[_Open] = []
        documents = 0
        for event in events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._refuse(event, "", "found a second document; allowed: one a file")
            elif isinstance(event, yaml.NodeEvent):
                assert event.start_mark is not None
                key = open_nodes[-1].next_key() if open_nodes else ""
                self._check(event, key, len(open_nodes))
                place = Place(self.file, event.start_mark.line + 1, key)
                if isinstance(event, yaml.ScalarEvent):
                    if not is_unicode(event.value):
                        self._refuse(event, key, "found half a character; allowed: Unicode text")
                    top = self._add(open_nodes, Scalar(place, event.value, not event.style))
                else:
                    open_nodes.append(_Open(place, isinstance(event, yaml.MappingStartEvent)))
            elif isinstance(event, yaml.CollectionEndEvent):
                top = self._add(open_nodes, open_nodes.pop().closed())
        return top

    def _check(self, event: Any, key: str, depth: int) -> None:
        if isinstance(event, yaml.AliasEvent):
            self._refuse(
                event, key, f"found the alias *{event.anchor}; allowed: values written out"
            )
        if event.anchor is not None:
            self._refuse(
                event, key, f"found the anchor &{event.anchor}; allowed: values written out"
            )
        if event.tag is not None:
            self._refuse(
                event, key, f"found the tag {escaped(event.tag)}; allowed: values without a tag"
            )
        if depth > DEEPEST_NESTING:
            self._refuse(
                event, "", f"found values nested more than {DEEPEST_NESTING} deep; allowed: fewer"
            )

    def _refuse(self, event: Any, key: str, text: str) -> None:
        self.faults.add(Place(self.file, event.start_mark.line + 1, key), text)
        raise _Refused

    def _add(self, open_nodes: list[_Open], node: Node) -> Node:
        if not open_nodes:
            return node
        parent = open_nodes[-1]
        if not parent.is_table:
            parent.items.append(node)
        elif parent.key is None:
            self._take_key(parent, node)
        else:
            parent.take_value(node)
        return node

    def _take_key(self, parent: _Open, node: Node) -> None:
        if not isinstance(node, Scalar):
            where = Place(self.file, node.place.line)
            self.faults.add(where, "found a list or mapping as a key; allowed: a name")
            raise _Refused
        parent.key = node.text
        first = parent.key_lines.get(node.text)
        if first is None:
            parent.key_lines[node.text] = node.place.line
            return
        where = Place(self.file, node.place.line, parent.child_key(node.text))
        self.faults.add(where, f"found a second time, first in line {first}; allowed: once")


@dataclass(slots=True)
class _Open:
    """A list or mapping that has not been closed yet."""

    place: Place
    is_table: bool
    items: list[Node] = field(default_factory=list)
    entries: dict[str, Node] = field(default_factory=dict)
    key_lines: dict[str, int] = field(default_factory=dict)
    key: str | None = None

    def next_key(self) -> str:
        if not self.is_table:
            return f"{self.place.key}[{len(self.items)}]"
        return self.place.key if self.key is None else self.child_key(self.key)

    def child_key(self, key: str) -> str:
        name = escaped(key, 40)
        return f"{self.place.key}.{name}" if self.place.key else name

    def take_value(self, node: Node) -> None:
        assert self.key is not None
        self.entries.setdefault(self.key, node)
        self.key = None

    def closed(self) -> Node:
        if self.is_table:
            return Table(self.place, self.entries, self.key_lines)
        return Listing(self.place, tuple(self.items))

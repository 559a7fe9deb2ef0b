"""Writes plain values as YAML, fast: a store is formatted on the main thread, which plays.

One line a key, in flow style below it. A general writer of YAML takes several
times as long.
"""

from __future__ import annotations

import re
from typing import Any

_UNQUOTED = re.compile(
    r"[A-Za-z][A-Za-z0-9_./ -]*[A-Za-z0-9]|[0-9]+ [a-z]+|[0-9]+/[0-9]+", re.ASCII
)
_WORDS = ("true", "false", "null", "yes", "no", "on", "off", "y", "n")
_UNSAFE = re.compile(r'["\\]')


def flow(value: Any) -> str:
    """Return a value in one line: text, number, boolean, None, list or mapping.

    >>> flow({"scale": "19 equal", "root": 50, "name": "a: b"})
    '{scale: 19 equal, root: 50, name: "a: b"}'
    """
    if isinstance(value, str):
        return _text(value)
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_text(key)}: {flow(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(flow, value)) + "]"
    number = repr(value)
    # YAML 1.1, which others still read, takes no exponent without a point before it.
    return number if "." in number else number.replace("e", ".0e")


def line_of(name: str, value: Any) -> str:
    """Return the line of an item of an opened mapping."""
    return f"  {_text(name)}: {flow(value)}\n"


def block(values: dict[str, Any], opened: tuple[str, ...] = ()) -> str:
    """Return a mapping as YAML text, one line a key.

    Args:
        values: plain values, as for ``flow``.
        opened: keys whose list or mapping has a line for each item.
    """
    lines = []
    for key, value in values.items():
        if key in opened and value and isinstance(value, dict):
            lines.append(f"{_text(key)}:")
            lines += [f"  {_text(name)}: {flow(inner)}" for name, inner in value.items()]
        elif key in opened and value and isinstance(value, list):
            lines.append(f"{_text(key)}:")
            lines += [f"  - {flow(item)}" for item in value]
        else:
            lines.append(f"{_text(key)}: {flow(value)}")
    return "\n".join(lines) + "\n"


def _text(text: str) -> str:
    if _UNQUOTED.fullmatch(text) and text.lower() not in _WORDS:
        return text
    if text.isprintable():
        return f'"{_UNSAFE.sub(_escaped, text)}"'
    return '"' + "".join(c if c.isprintable() and c not in '"\\' else _code(c) for c in text) + '"'


def _escaped(found: re.Match[str]) -> str:
    return "\\" + found[0]


def _code(c: str) -> str:
    return f"\\{c}" if c in '"\\' else f"\\U{ord(c):08X}"

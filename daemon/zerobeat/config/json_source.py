"""Turns JSON values into the nodes that ``fields`` reads: commands obey the rules of files."""

from __future__ import annotations

import re

from ..json_value import JsonObject, JsonValue
from .faults import Place
from .yaml_source import Listing, Node, Scalar, Table

# Text that a file would take for a number, a boolean or nothing unless it stood in quotes.
_NO_WORD = re.compile(r"[-+.]?[0-9.].*|true|false|~|null|Null|NULL|", re.ASCII | re.DOTALL)


def node_of(value: JsonValue, place: Place) -> Node:
    """Return the node of a JSON value.

    Args:
        value: None, a boolean, number, text, list or object as ``json.loads``
            gives it. Text stays text: ``"3.5"`` is no number.
        place: file, line and key, for faults.
    """
    if isinstance(value, list):
        items = (node_of(item, _within(place, f"[{i}]")) for i, item in enumerate(value))
        return Listing(place, tuple(items))
    if isinstance(value, dict):
        return table_of(value, place)
    if isinstance(value, str):
        return Scalar(place, value, plain=_NO_WORD.fullmatch(value) is None)
    if value is None:
        return Scalar(place, "", plain=True)
    if isinstance(value, bool):
        return Scalar(place, "true" if value else "false", plain=True)
    return Scalar(place, repr(value), plain=True)


def table_of(values: JsonObject, place: Place) -> Table:
    """Return the node of a JSON object."""
    entries = {key: node_of(item, _within(place, key, ".")) for key, item in values.items()}
    return Table(place, entries, dict.fromkeys(entries, place.line))


def _within(place: Place, key: str, join: str = "") -> Place:
    return Place(place.file, place.line, f"{place.key}{join}{key}" if place.key else key)

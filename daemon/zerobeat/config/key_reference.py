"""The keys of the player's files, as their readers ask for them, with a line each."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ..errors import CommandError, one_of
from .context import Context
from .converter_file import read_converter
from .faults import Faults
from .key_words import NOTE, SPECIAL, TEXTUAL, WORDS
from .observed_section import KeyFact, Observations, ObservedSection
from .pedalboard_file import read_pedalboard_section
from .profile_file import read_profile_section
from .rig import read_rig_section
from .scene_file import read_scene
from .yaml_source import parse_yaml

KINDS_OF_FILES = ("rig", "scene", "converter", "profile", "pedalboard")
# Documents in which every list and mapping is there, so that all readers run. Two of a kind
# where a key is read only if another says so.
_DOCUMENTS: dict[str, tuple[str, ...]] = {
    "rig": (
        """\
inputs: {a: {port: 'b:c', mpe: lower}}
converters:
  q:
    port: 'd:e'
    converter:
      extra:
        s: {controller: 20, channel_number: 16}
        t: {note: 36, channel_number: 10}
        u: {pressure: true, channel_number: 5}
    extra: {s: {input: a, controller: 11}}
page: {enabled: true}
follow: {enabled: true}
voices: {v: {converter: q, channel_number: 1, tuning_from: none}}
audio_inputs: {l: {device: Line, channel_number: 1}}
""",
    ),
    "scene": (
        """\
zones: [{voices: [v]}]
triggers: [{remote_note: {input: a}}, {clock: {every: 1}}]
all: {scale: dorian}
voices: {v: {}}
""",
    ),
    "converter": (
        """\
channels: {1: {36: 0.0}}
extra:
  s: {controller: 20, channel_number: 16}
  t: {note: 36, channel_number: 10}
  u: {pressure: true, channel_number: 5}
""",
    ),
    "profile": (
        """\
readings: [{note: 36, cents: 1}]
knots: [{commanded_cents: 1, sounding_cents: 2}]
unusable: [{lowest_cents: 1, highest_cents: 2}]
proof: [{note: 60, before_cents: 1, after_cents: 1}]
""",
        "against: volts\nreadings: [{volts: 1, cents: 1}]\n",
    ),
    "pedalboard": (
        """\
bindings:
  - {controller: 1, action: next}
  - {note: 1, action: next}
  - {program: any, action: recall}
""",
    ),
}
UNITS_BY_NAME = {
    "_cents": "cents",
    "_semitones": "semitones",
    "_octaves": "octaves",
    "_ms": "ms",
    "_s": "s",
    "_hz": "Hz",
    "_ppm": "ppm",
    "_cents_per_min": "cents a minute",
    "bytes_per_second": "bytes a second",
}


PAGE_HEAD = """\
# Keys

Every key of every kind of file, as zerobeat reads it. This page is made by
`docs/generate.py` and held equal by a test. `zerobeat keys KIND KEY` shows a part.
`NAME` is a name that you choose, `[]` an item of a list. Where a rig holds a converter
or a scene, the keys of those count.
"""


@dataclass(frozen=True, slots=True)
class DocumentedKey:
    """A key as a player needs it: the reader's facts, and the line on it.

    Attributes:
        name: its path, such as ``voices.NAME.tail_s``.
        type: in words.
        range: in words; "" for none.
        default: in words; "" for none.
        unit: "" for none.
        line: what it says.
    """

    kind: str
    name: str
    type: str
    range: str
    default: str
    unit: str
    required: bool
    line: str


@cache
def observations(kind: str) -> Observations:
    """Return what the readers of a kind of file ask for."""
    seen = Observations()
    for text in _DOCUMENTS[kind]:
        faults = Faults()
        table = parse_yaml(text.encode(), kind, faults)
        assert table is not None
        section = ObservedSection(table, faults, (), seen)
        context = Context(Path("/nowhere"))
        context.faults = faults
        if kind == "rig":
            read_rig_section(section, context)
        elif kind == "scene":
            read_scene(section, "", context)
        elif kind == "converter":
            read_converter(section, "")
        elif kind == "profile":
            read_profile_section(section, "", faults)
        else:
            read_pedalboard_section(section, "", 1)
    return seen


def lookup_name(kind: str, path: tuple[str, ...]) -> str:
    """Return under which name a key's line stands: a rig's converter is a converter."""
    in_converter = path[:3] == ("converters", "NAME", "converter") and len(path) > 3
    if kind == "rig" and in_converter and path[3] != "file":
        return f"converter {'.'.join(path[3:])}"
    if kind == "scene" and path[:2] == ("voices", "NAME") and len(path) == 3:
        return f"scene all.{path[2]}"
    return f"{kind} {'.'.join(path)}"


def documented_keys(kind: str) -> list[DocumentedKey]:
    """Return the keys of a kind of file in the order in which they are read."""
    shared = ("converters.NAME.converter.", "voices.NAME.") if kind in ("rig", "scene") else ()
    found = []
    for path, fact in observations(kind).facts.items():
        name = ".".join(path)
        doubled = lookup_name(kind, path) != f"{kind} {name}"
        if not (doubled and shared):
            found.append(_documented(kind, path, fact))
    return found


def _documented(kind: str, path: tuple[str, ...], fact: KeyFact) -> DocumentedKey:
    name = lookup_name(kind, path)
    special = SPECIAL.get(name)
    return DocumentedKey(
        kind=kind,
        name=".".join(path).replace(".[]", "[]"),
        type=special[0] if special else fact.type,
        range=_range(fact),
        default=_default(fact),
        unit=_unit(path[-1]),
        required=fact.required,
        line=WORDS.get(name, ""),
    )


def _range(fact: KeyFact) -> str:
    if fact.choices:
        return ", ".join(fact.choices)
    if fact.lowest is None or fact.highest is None:
        return ""
    return f"{fact.lowest:g} to {fact.highest:g}"


def _default(fact: KeyFact) -> str:
    value = fact.default
    if value is None or fact.required:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _unit(key: str) -> str:
    if key == "cents":
        return "cents"
    return next((unit for end, unit in UNITS_BY_NAME.items() if key.endswith(end)), "")


def key_named(kind: str, name: str) -> list[DocumentedKey]:
    """Return the keys of a name, whole or the last part of it; as a fault shows it will do.

    Raises:
        CommandError: there is none.
    """
    kind, wanted = _own_kind(kind, _parts(name))
    keys = documented_keys(kind)
    found = [key for key in keys if _is_named(_parts(key.name), wanted)]
    if not found:
        names = list(dict.fromkeys(key.name.split(".")[-1] for key in keys))
        raise CommandError(f"key: found {name}; allowed: {one_of(name, names)}")
    return found


def _parts(name: str) -> list[str]:
    """Return the parts of a key's name, also of one from a fault: ``voices.reed.tail_s``."""
    return re.sub(r"\[\d*\]", "", name).strip(".").split(".")


def _own_kind(kind: str, parts: list[str]) -> tuple[str, list[str]]:
    """Return the kind of file that a key belongs to, and its name there."""
    if kind == "rig" and len(parts) > 1 and parts[0] == "scene":
        kind, parts = "scene", parts[1:]
    in_converter = len(parts) > 3 and parts[0] == "converters" and parts[2] == "converter"
    if kind == "rig" and in_converter and parts[3] != "file":
        return "converter", parts[3:]
    if kind == "scene" and len(parts) == 3 and parts[0] == "voices":
        return kind, ["all", parts[2]]
    return kind, parts


def _is_named(parts: list[str], wanted: list[str]) -> bool:
    if len(wanted) == 1:
        return parts[-1] == wanted[0]
    return len(parts) == len(wanted) and all(
        part in ("NAME", asked) for part, asked in zip(parts, wanted, strict=True)
    )


# ---------------------------------------------------------------- a schema for editors


def schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind of file."""
    made = _object_schema(kind, ())
    if kind == "rig":
        made["$defs"] = {"scene": _object_schema("scene", ()), **_trigger_of(_object_schema)}
    if kind == "scene":
        made["$defs"] = _trigger_of(_object_schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"zerobeat {kind} file",
        **made,
    }


def _trigger_of(make: Any) -> dict[str, Any]:
    return {"trigger": make("scene", ("triggers", "[]"))}


def _object_schema(kind: str, path: tuple[str, ...]) -> dict[str, Any]:
    seen = observations(kind)
    inside = {
        other[len(path)]: fact
        for other, fact in seen.facts.items()
        if len(other) == len(path) + 1 and other[: len(path)] == path
    }
    if path in seen.named:
        return {"type": "object", "additionalProperties": _object_schema(kind, (*path, "NAME"))}
    properties = {key: _key_schema(kind, fact) for key, fact in inside.items()}
    # A pattern may stand in the place of a port or device.
    required = [
        key
        for key, fact in inside.items()
        if fact.required and f"{key}_pattern" not in inside and not _only_sometimes(kind, path, key)
    ]
    made: dict[str, Any] = {
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
    }
    if (kind, path) == ("pedalboard", ("bindings", "[]")):
        made["oneOf"] = [{"required": [key]} for key in ("controller", "note", "program")]
    return {**made, "required": required} if required else made


def _only_sometimes(kind: str, path: tuple[str, ...], key: str) -> bool:
    return (kind, path, key) in {
        ("profile", ("readings", "[]"), "note"),
        ("profile", ("readings", "[]"), "volts"),
    }


def _key_schema(kind: str, fact: KeyFact) -> dict[str, Any]:
    name = lookup_name(kind, fact.path)
    made = dict(SPECIAL[name][1]) if name in SPECIAL else _type_schema(kind, fact)
    if name == "rig converters.NAME.converter":
        made = {"anyOf": [{"type": "string"}, _object_schema(kind, fact.path)]}
    if name == "profile readings":
        made["items"] = _object_schema(kind, (*fact.path, "[]"))
    line = WORDS.get(name, "")
    if line:
        made["description"] = line
    if fact.default is not None and not fact.required and fact.type != "special":
        made["default"] = fact.default
    return made


def _type_schema(kind: str, fact: KeyFact) -> dict[str, Any]:
    limits = {"minimum": fact.lowest, "maximum": fact.highest}
    if fact.lowest is None:
        limits = {}
    choice = {"enum": [*fact.choices, *_as_yaml_1_1(fact.choices)]}
    whole = {"type": "integer", **limits}
    listed: dict[str, dict[str, Any]] = {
        "whole number": whole,
        "channel number": whole,
        "number": {"type": "number", **limits},
        "text": dict(TEXTUAL),
        "true or false": {"type": "boolean"},
        "one of": choice,
        "note": dict(NOTE),
        "list of names": {"type": "array", "items": TEXTUAL},
        "list of words": {"type": "array", "items": choice},
        "list of channel numbers": {"type": "array", "items": whole},
        "special": {},
    }
    if fact.type == "keys":
        return _object_schema(kind, fact.path)
    if fact.type == "list":
        inside = (*fact.path, "[]")
        has_keys = any(path[: len(inside)] == inside for path in observations(kind).facts)
        return {"type": "array", "items": _object_schema(kind, inside) if has_keys else TEXTUAL}
    return listed[fact.type]


def _as_yaml_1_1(choices: tuple[str, ...]) -> list[bool]:
    """Return what older YAML parsers make of ``on`` and ``off``."""
    return [word == "on" for word in choices if word in ("on", "off")]


# ---------------------------------------------------------------- as text


def key_lines(kind: str, keys: list[DocumentedKey]) -> list[str]:
    """Return keys for a terminal of 80 columns."""
    lines = []
    for key in keys:
        facts = [key.type]
        if key.range:
            facts.append(key.range)
        if key.unit:
            facts.append(key.unit)
        facts.append("needed" if key.required else f"usual: {key.default}" if key.default else "")
        lines += [key.name, *_wrap(key.line), *_wrap("; ".join(filter(None, facts)))]
    return lines


def _wrap(text: str) -> list[str]:
    from .describe import wrapped

    return wrapped(text, 4)


def reference_page() -> str:
    """Return the page ``docs/keys.md``."""
    parts = [PAGE_HEAD]
    for kind in KINDS_OF_FILES:
        parts.append(f"\n## {kind.capitalize()}\n\n")
        parts.append("| key | type | range | usual | unit | says |\n")
        parts.append("| --- | --- | --- | --- | --- | --- |\n")
        for key in documented_keys(kind):
            usual = "needed" if key.required else f"`{key.default}`" if key.default else ""
            cells = (f"`{key.name}`", key.type, key.range, usual, key.unit, key.line)
            parts.append(f"| {' | '.join(cells)} |\n")
    return "".join(parts)


def without_lines() -> list[str]:
    """Return the keys that have no line in ``key_words``, and the lines that have no key."""
    known = {
        lookup_name(kind, path) for kind in KINDS_OF_FILES for path in observations(kind).facts
    }
    bare = {
        lookup_name(kind, path)
        for kind in KINDS_OF_FILES
        for path, fact in observations(kind).facts.items()
        if fact.type == "special"
    }
    missing = [f"{name}: no line in WORDS" for name in sorted(known - WORDS.keys())]
    missing += [f"{name}: no such key, but a line" for name in sorted(WORDS.keys() - known)]
    missing += [f"{name}: no type in SPECIAL" for name in sorted(bare - SPECIAL.keys())]
    return missing + [f"{name}: no such key in SPECIAL" for name in sorted(SPECIAL.keys() - known)]

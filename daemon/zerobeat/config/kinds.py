"""Recognizes the kind of a file by its suffix or its keys."""

from __future__ import annotations

from pathlib import Path

from .faults import Faults
from .yaml_source import Table, read_yaml

_KEYS: dict[str, tuple[str, ...]] = {
    "profile": (
        "readings",
        "against",
        "knots",
        "measured",
        "panel_octaves",
        "voice",
        "errors_follow",
    ),
    "pedalboard": ("bindings", "ignore_banks", "title"),
    "converter": (
        "bend_range_semitones",
        "bend_range",
        "zero_volt_note",
        "lowest_note",
        "highest_note",
        "overlap",
        "bend_with_gate_low",
        "settle_ms",
        "gate_gap_ms",
        "bytes_per_second",
        "errors_follow",
        "channels",
        "title",
    ),
    "scene": (
        "program",
        "bank",
        "hold",
        "regate",
        "triggers",
        "time_signature",
        "assign",
        "zones",
        "all",
        "voices",
        "title",
        "early_ms",
        "late_ms",
        "sample_delay_ms",
        "clock_lost",
    ),
    "rig": (
        "inputs",
        "converters",
        "voices",
        "clock_from",
        "scene",
        "scenes",
        "middle_c",
        "program_numbers_from",
        "on_return",
        "concert_a_hz",
    ),
}
# Where a rig looks for them; ``check`` asks the folder where keys alone do not tell.
FOLDERS = {
    "scenes": "scene",
    "converters": "converter",
    "oscillators": "profile",
    "profiles": "profile",
    "pedalboards": "pedalboard",
}
SURE = {"inputs": "rig", "converters": "rig", "readings": "profile", "bindings": "pedalboard"}


def kind_of_file(path: Path, faults: Faults) -> str | None:
    """Return ``rig``, ``scene``, ``converter``, ``profile``, ``pedalboard``, ``scl`` or ``kbm``.

    None: not recognized; a fault was added.
    """
    suffix = path.suffix.lower()
    if suffix in (".scl", ".kbm"):
        return suffix[1:]
    table = read_yaml(path, faults)
    if table is None:
        return None
    kind = kind_of_table(table, FOLDERS.get(path.absolute().parent.name))
    if kind is None:
        kinds = "a rig, scene, converter, profile or pedalboard"
        faults.add(table.place, f"found none of the keys of {kinds}; allowed: one of those files")
    return kind


def kind_of_table(table: Table, likely: str | None = None) -> str | None:
    """Return the kind of file of which a mapping has the most keys; ``likely`` at a draw.

    None: it has none of any kind's, and no kind is likely.
    """
    for key, kind in SURE.items():
        if key in table.entries:
            return kind
    counts = {kind: sum(key in keys for key in table.entries) for kind, keys in _KEYS.items()}
    best = max(counts, key=lambda kind: (counts[kind], kind == likely))
    return best if counts[best] else likely

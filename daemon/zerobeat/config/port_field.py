"""``port`` or ``port_pattern`` of an input or a converter."""

from __future__ import annotations

import re

from .fields import Section

_NUMBERS = re.compile(r"(^|\s)\d+:\d+$|^(hw|plughw):\d.*$")
_BRIDGED = re.compile(r" \[\d+\] \((capture|playback)\): ")  # as a JACK bridge names ALSA ports


def read_port(section: Section, key: str = "port", required: bool = True) -> tuple[str, bool]:
    """Return the name of a port and whether it is a shell pattern (of ``KEY_pattern``).

    The sequencer's client numbers, as in ``Stage Keys 20:0``, change with each
    start, so a name that has them is a fault (requirement M4).
    """
    pattern_key = f"{key}_pattern"
    if section.has(key) and section.has(pattern_key):
        text = f"found beside {key}; allowed: one of the two"
        section.faults.add(section.at(pattern_key), text)
    is_pattern = section.has(pattern_key)
    port = section.text(pattern_key, "") if is_pattern else ""
    if not is_pattern or section.has(key):
        port = section.text(key, "", required=required)
    section.asked += [key, pattern_key]
    if port:
        _check(section, pattern_key if is_pattern else key, port, is_pattern)
    return port, is_pattern


def _check(section: Section, key: str, port: str, is_pattern: bool) -> None:
    if not port.isprintable():
        section.faults.add(section.at(key), "found control characters; allowed: printable text")
    elif _NUMBERS.search(port):
        stable = _NUMBERS.sub("", port).strip() or "Stage Keys:Stage Keys MIDI 1"
        section.faults.add(
            section.at(key),
            f"found {port}, with numbers that change at each start; allowed: client name and "
            f"port name, as {stable} ('zerobeat ports' lists them)",
        )
    elif not is_pattern and _BRIDGED.search(port):
        pattern = _BRIDGED.sub(r" * (\1): ", port)
        section.faults.add(
            section.at(key),
            f"found {port}, with a number that changes at each start; allowed: {key}_pattern: "
            f'"{pattern}"',
        )
    elif not is_pattern and ":" not in port:
        section.faults.warn(
            section.at(key),
            f"found {port}; ports are named client:port ('zerobeat ports' lists them)",
        )

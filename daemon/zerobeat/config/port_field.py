"""``port`` or ``port_pattern`` of an input or a converter."""

from __future__ import annotations

import re

from .fields import Section

_NUMBERS = re.compile(r"(^|\s)\d+:\d+$|^(hw|plughw):\d.*$")
_BRIDGED = re.compile(r" \[\d+\] \((capture|playback)\): ")  # as a JACK bridge names ALSA ports


def read_port(section: Section) -> tuple[str, bool]:
    """Return the name of a port and whether it is a shell pattern.

    The sequencer's client numbers, as in ``Stage Keys 20:0``, change with each
    start, so a name that has them is a fault (requirement M4).
    """
    if section.has("port") and section.has("port_pattern"):
        text = "found beside port; allowed: one of the two"
        section.faults.add(section.at("port_pattern"), text)
    is_pattern = section.has("port_pattern")
    port = section.text("port_pattern", "") if is_pattern else ""
    if not is_pattern or section.has("port"):
        port = section.text("port", "", required=True)
    section.asked += ["port", "port_pattern"]
    if port:
        _check(section, "port_pattern" if is_pattern else "port", port, is_pattern)
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
            f"found {port}, with a number that changes at each start; allowed: port_pattern: "
            f'"{pattern}"',
        )
    elif not is_pattern and ":" not in port:
        section.faults.warn(
            section.at(key),
            f"found {port}; ports are named client:port ('zerobeat ports' lists them)",
        )

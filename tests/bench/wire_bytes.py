"""Bytes on the wire in the golden sessions, against what an ideal wire would send.

The ideal wire, counted from what the engine made of each event: for each
channel one bend where its last value differs from the one before, and each
note-on, note-off and passed message once. Bend ranges at connect are left out
of both. Bound: 1.02 times. A wire that thins sends less.

    .venv/bin/python tests/bench/wire_bytes.py
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.golden_sessions import SESSIONS, play
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.wire import Marker
from zerobeat.midi import ControlChange, PitchBend, encode

BOUND = 1.02
PARAMETERS = frozenset((6, 38, 100, 101))  # of RPN 0, the bend range


def ideal_bytes(made: list[Outputs]) -> int:
    """Return the bytes that the events need."""
    bent: dict[tuple[str, int], int] = {}
    count = 0
    for outputs in made:
        wanted: dict[tuple[str, int], int] = {}
        for name, message in outputs:
            if type(message) is PitchBend:
                wanted[name, message.channel] = message.bend
            elif type(message) is Marker:
                bent = {key: bend for key, bend in bent.items() if key[0] != name}
            elif type(message) is not ControlChange or message.controller not in PARAMETERS:
                count += len(encode(message))
        for key, bend in wanted.items():
            count += 3 if bent.get(key) != bend else 0
            bent[key] = bend
    return count


def wire_bytes(heard: str) -> int:
    """Return the bytes that left; the sessions hold messages of three bytes."""
    count = 0
    for line in heard.splitlines():
        _, _, kind, *values = line.split()
        parameter = kind == "control_change" and any(
            f"controller={number}" in values for number in PARAMETERS
        )
        count += 0 if parameter else 3
    return count


def main() -> int:
    failed = 0
    print(f"{'session':24} {'wire':>6} {'ideal':>6} {'ratio':>6}   (bytes)")
    for source in SESSIONS:
        heard, made = play(source)
        sent, needed = wire_bytes(heard), ideal_bytes(made)
        passed = sent <= BOUND * needed
        failed += not passed
        verdict = "pass" if passed else "FAIL"
        print(f"{source.parent.name:24} {sent:6} {needed:6} {sent / needed:6.3f}   {verdict}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

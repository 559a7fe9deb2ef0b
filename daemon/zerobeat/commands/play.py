"""``zerobeat play``: a test note of one voice, with the correction or raw."""

from __future__ import annotations

import argparse
import math
import sys
import time
from typing import Any

from ..client.ask_daemon import add_socket
from ..client.daemon_client import Client
from ..errors import CommandError
from ..tuning.units import name_of_note, parse_note

SECONDS = 2.0
MOST_S = 50.0  # the daemon ends it after a minute of silence


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat play reed C3\n"
        "         zerobeat play reed 48 --raw --seconds 10\n\n"
        "With profile, touch-up and tonight's concert pitch, but not the scene's scale,\n"
        "detune or transposition. Refused while keys are held; a key that is played ends it.",
    )
    parser.add_argument("voice", help="a voice")
    parser.add_argument("note", help="a key, such as C3, Eb2 or 48")
    parser.add_argument("--raw", action="store_true", help="just this note number, without bend")
    parser.add_argument("--seconds", type=float, default=SECONDS, help=f"default: {SECONDS:g}")
    parser.add_argument("--velocity", type=int, default=100, help="1 to 127 (default: 100)")


def run(args: argparse.Namespace) -> int:
    if not 0.1 <= args.seconds <= MOST_S:
        raise CommandError(f"--seconds: found {args.seconds:g}; allowed: 0.1 to {MOST_S:g}")
    with Client(args.socket) as client:  # its end, whatever ends it, releases the note
        shown = client.status()
        octave = shown.get("middle_c_octave", 4)
        key = parse_note(args.note, octave)
        values: dict[str, Any] = {"note": key}
        if not args.raw:
            above = 1200.0 * math.log2(shown.get("concert_a_hz", 440.0) / 440.0)
            values = {"corrected": True, "pitch_cents": 100.0 * key + above}
        client.ask("play", voice=args.voice, velocity=args.velocity, **values)
        print(_told(client.status(), args.voice, name_of_note(key, octave), args.raw))
        sys.stdout.flush()
        time.sleep(args.seconds)
        try:
            client.ask("release", voice="all")
        except CommandError as error:
            print(str(error).replace("measuring ", ""))
    return 0


def _told(shown: dict[str, Any], name: str, note: str, raw: bool) -> str:
    """Return what is sent to a voice."""
    voice = next((voice for voice in shown["voices"] if voice["name"] == name), None)
    how = "raw" if raw else "corrected"
    if voice is None or voice["note"] is None:
        return f"{name}: {note}, {how}"
    return f"{name}: {note}, {how}: note {voice['note']}, bend {voice['bend_cents']:+z.1f} cents"

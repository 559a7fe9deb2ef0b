"""``zerobeat soundcheck``: every voice, one line each: ready, or what to do."""

from __future__ import annotations

import argparse
from dataclasses import replace

from ..calibration.arguments import add_room, room_of, voices_of
from ..calibration.audio_listener import LiveListener
from ..calibration.identity import Identity, identify
from ..calibration.live_touchup import notes_for, send, touch_group
from ..calibration.measuring_session import Room
from ..calibration.soundcheck import Checks, judge
from ..calibration.touchup import Touched
from ..console.live_line import LiveLine
from ..errors import MeasureError
from ..measure.pitch.take import Request

SECONDS = 0.4
WIDE_SHARE = 0.5  # of the bend range
MOST_SEARCHED_CENTS = 400.0  # a wrong range may put it further off: then it is looked for anywhere


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_room(
        parser,
        "zerobeat soundcheck --yes\n\n"
        "Walks the voices: cable, identity, level, bend, touch-up, a check note, then one\n"
        "line each, ready or what to do. Exit status 0 if all are ready.",
    )
    parser.add_argument("voice", nargs="*", help="voices (default: all)")
    parser.add_argument("--dry-run", action="store_true", help="keep no touch-up")


def run(args: argparse.Namespace) -> int:
    line = LiveLine()
    with room_of(args, line) as room:
        names = voices_of(room, args.voice, not args.voice)
        room.open(names)
        room.caution(names)
        listener = LiveListener(room)
        ready = True
        for name in names:
            room.solo_by_hand(name)
            line.show(f"{name}: listening")
            verdict = judge(_check(room, listener, name, not args.dry_run))
            ready = ready and verdict.ready
            line.say(verdict.line())
        room.release()
    return 0 if ready else 1


def _check(room: Room, listener: LiveListener, name: str, keep: bool) -> Checks:
    listener.hear_background([name])
    found = identify(room, listener, name)
    voice = room.voice(name)
    touched, refused, check_cents, ratio = "", "", None, None
    if found.follows:
        ratio = _bend_ratio(room, listener, name, found)
        drift = touch_group(room, listener, [name])[name]
        if isinstance(drift, Touched):
            touched = f"{drift.offset_cents:+.2f} cents"
            if keep:
                send(room, drift)
                check_cents = _check_note(room, listener, name)
        else:
            refused = drift.removeprefix(f"{name}: ")
    room.release(name)
    return Checks(
        voice=name,
        refused=found.refused,
        answers=found.answers,
        follows=None if found.refused else found.follows,
        level_dbfs=found.level_dbfs,
        peak_share=found.peak_share,
        bend_ratio=ratio,
        touched=touched,
        touch_refused=refused,
        check_cents=check_cents,
        unmeasured=voice.curve is None,
    )


def _bend_ratio(room: Room, listener: LiveListener, name: str, found: Identity) -> float | None:
    """Return how wide a bend of half the range comes out (B3)."""
    first = found.heard[0]
    wide = WIDE_SHARE * room.voice(name).bend_range_cents
    expected = first.sounding_cents + wide if wide <= MOST_SEARCHED_CENTS else None
    asked = replace(first.request, bend_cents=wide, seconds=SECONDS, expected_cents=expected)
    heard = listener.listen(asked)
    return None if heard.pitch is None else (heard.sounding_cents - first.sounding_cents) / wide


def _check_note(room: Room, listener: LiveListener, name: str) -> float | None:
    """Return how far a note between the two of the touch-up is off, corrected."""
    voice = room.voice(name)
    try:
        low, high = notes_for(voice)
    except MeasureError:
        return None
    wanted = 100.0 * ((low + high) // 2) + 1200.0 * voice.panel_octaves
    asked = Request(name, 0, 0.0, SECONDS, "check", 0.1, wanted)
    (heard,) = listener.listen_corrected([asked])
    return None if heard.pitch is None else heard.sounding_cents - wanted

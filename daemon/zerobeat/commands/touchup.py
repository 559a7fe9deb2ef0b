"""``zerobeat touchup``: corrects what voices have drifted since their profiles."""

from __future__ import annotations

import argparse

from ..calibration.arguments import add_session_arguments, session_of, voices_of
from ..calibration.live_touchup import touch_up_voices
from ..calibration.touchup import DriftSinceProfile
from ..calibration.touchup_by_ear import by_ear
from ..console.live_line import LiveLine


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_arguments(
        parser,
        "zerobeat touchup --all --yes\n"
        "         zerobeat touchup horn --by-ear --against reed\n\n"
        "Reads a reference and a check note of each voice and shifts the correction by\n"
        "offset and stretch. Refused if it looks like a wrong cable. It lasts until the\n"
        "next touch-up or the next profile. With `tap: before_vca` nobody hears it.",
    )
    parser.add_argument("voice", nargs="*", help="voices, one or more")
    parser.add_argument("--all", action="store_true", help="every voice")
    parser.add_argument("--voice", action="append", default=[], dest="more", help=argparse.SUPPRESS)
    parser.add_argument(
        "--clear", action="store_true", help="take every touch-up out again, follow's too"
    )
    parser.add_argument("--dry-run", action="store_true", help="show it; change nothing")
    parser.add_argument(
        "--by-ear",
        action="store_true",
        help="sound a voice against another; wheel stops the beating, a pedal or Enter keeps it",
    )
    parser.add_argument("--against", metavar="VOICE", help="the other voice, with --by-ear")
    parser.add_argument("--note", help="the note that both sound, with --by-ear (default: C4)")


def run(args: argparse.Namespace) -> int:
    line = LiveLine()
    with session_of(args, line) as session:
        names = voices_of(session, [*args.voice, *args.more], args.all)
        if args.clear:
            for name in names:
                session.client.ask("touch_up", voice=name, offset_cents=0.0, stretch_cents=0.0)
                line.say(f"{name}: no touch-up")
            return 0
        session.caution(names)
        if args.by_ear:
            return by_ear(session, names, args.against, args.note, line)
        session.open(names)
        found = touch_up_voices(session, names, line.show, keep=not args.dry_run)
        for one in found.values():
            line.say(one.line() if isinstance(one, DriftSinceProfile) else one)
    return 0 if all(isinstance(one, DriftSinceProfile) for one in found.values()) else 1

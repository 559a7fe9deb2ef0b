"""``zerobeat warmup``: shows the drift of voices until they have settled."""

from __future__ import annotations

import argparse
import time

from ..calibration.arguments import add_session_arguments, session_of, voices_of
from ..calibration.audio_listener import LiveListener
from ..calibration.live_touchup import listen_apart, notes_for, side_by_side_groups
from ..calibration.measuring_session import MeasuringSession
from ..calibration.warmup import WarmupWatch
from ..console.live_line import LiveLine
from ..errors import MeasureError
from ..follow.kept_drift import nights_of, usual_settling
from ..measure.pitch.take import TakeRequest

WARMUP_TAKE_S = 0.5
TABLE_S = 60.0  # between two tables


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_arguments(
        parser,
        "zerobeat warmup --all\n\n"
        "Reads one note of each voice again and again and says how fast it drifts, how\n"
        "long until it settles, and when it has. Give a case half an hour; Ctrl-C ends it.",
    )
    parser.add_argument("voice", nargs="*", help="voices, one or more")
    parser.add_argument("--all", action="store_true", help="every voice")
    parser.add_argument(
        "--every", type=float, default=20.0, metavar="S", help="seconds (default: 20)"
    )
    parser.add_argument("--minutes", type=float, default=0.0, help="end then at the latest")


def run(args: argparse.Namespace) -> int:
    if not args.every >= 0.5:
        raise MeasureError(f"--every: found {args.every:g}; allowed: 0.5 seconds or more")
    line = LiveLine()
    with session_of(args, line) as session:
        names = voices_of(session, args.voice, args.all)
        session.open(names)
        session.caution(names)
        nights = nights_of(str(session.client.status().get("rig", "")))
        for name in names:
            minutes = usual_settling(nights, name)
            if minutes is not None:
                line.say(f"{name}: in earlier nights steady {minutes:.0f} min after power-on")
        groups = side_by_side_groups(session, names)
        for name in names:
            session.solo_by_hand(name)
        return _watch(session, groups, args.every, args.minutes, line)


def _watch(
    session: MeasuringSession,
    groups: list[list[str]],
    every_s: float,
    minutes: float,
    line: LiveLine,
) -> int:
    listener = LiveListener(session)
    warmup = WarmupWatch()
    expected: dict[str, float] = {}
    started_s = shown_s = time.monotonic()
    while True:
        due_s = time.monotonic() + every_s
        for group in groups:
            _read_group(session, listener, group, expected, warmup, line)
            session.release()
        minute = (time.monotonic() - started_s) / 60.0
        done = warmup.settled() or (minutes > 0 and minute >= minutes)
        if done or time.monotonic() - shown_s >= TABLE_S:
            shown_s = time.monotonic()
            line.say(f"after {minute:.1f} min")
            for name in (name for group in groups for name in group):
                line.say("  " + warmup.drift(name).line())
        if done:
            line.say("all settled" if warmup.settled() else "not settled yet")
            return 0 if warmup.settled() else 1
        while time.monotonic() < due_s:
            line.show(f"after {minute:.1f} min; next reading in {due_s - time.monotonic():.0f} s")
            time.sleep(min(1.0, max(0.0, due_s - time.monotonic())))


def _read_group(
    session: MeasuringSession,
    listener: LiveListener,
    group: list[str],
    expected: dict[str, float],
    warmup: WarmupWatch,
    line: LiveLine,
) -> None:
    """Read a note of each voice of a group; a refused take is shown and skipped."""
    requests = []
    for step, name in enumerate(group):
        voice = session.voice(name)
        note = notes_for(voice)[0] + step
        at = expected.get(name, 100.0 * note + 1200.0 * voice.panel_octaves)
        requests.append(TakeRequest(name, note, 0.0, WARMUP_TAKE_S, "reading", 0.1, at))
    for name, take in listen_apart(session, listener, requests).items():
        if take.pitch is None:
            line.show(f"{name}: {take.refused.replace('_', ' ')}")
            continue
        expected[name] = take.sounding_cents
        warmup.add(name, take.at_s, take.sounding_cents, take.pitch.sigma_cents)
        line.show(warmup.drift(name).line())

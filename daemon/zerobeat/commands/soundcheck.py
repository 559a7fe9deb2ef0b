"""``zerobeat soundcheck``: tests every voice and shows one line each: ready, or what to do."""

from __future__ import annotations

import argparse
from dataclasses import replace

from ..calibration.arguments import add_session_arguments, session_of, voices_of
from ..calibration.audio_listener import LiveListener
from ..calibration.closing_table import checked_row, closing_lines
from ..calibration.identity import Identity, identify
from ..calibration.live_touchup import notes_for, read_drift, send_touch_up
from ..calibration.measuring_session import MeasuringSession
from ..calibration.soundcheck import SoundcheckFindings, verdict_of
from ..calibration.touchup import DriftSinceProfile
from ..console.live_line import LiveLine
from ..errors import MeasureError
from ..measure.pitch.take import TakeRequest

SOUNDCHECK_TAKE_S = 0.4
WIDE_SHARE = 0.5  # of the bend range
MOST_SEARCHED_CENTS = 400.0  # a larger bend may be further off with a wrong range: all is searched


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_arguments(
        parser,
        "zerobeat soundcheck --yes\n\n"
        "Walks the voices: cable, identity, level, bend, touch-up, a check note, then one\n"
        "line each, ready or what to do. Exit status 0 if all are ready.",
    )
    parser.add_argument("voice", nargs="*", help="voices (default: all)")
    parser.add_argument("--dry-run", action="store_true", help="keep no touch-up")


def run(args: argparse.Namespace) -> int:
    line = LiveLine()
    with session_of(args, line) as session:
        names = voices_of(session, args.voice, not args.voice)
        session.open(names)
        session.caution(names)
        listener = LiveListener(session)
        ready, rows = True, []
        for name in names:
            session.solo_by_hand(name)
            line.show(f"{name}: listening")
            found, drift_cents = _run_checks(session, listener, name, not args.dry_run)
            verdict = verdict_of(found)
            ready = ready and verdict.ready
            line.say(verdict.line())
            rows.append(checked_row(found, verdict, drift_cents))
        if len(rows) > 1:
            for text in closing_lines(rows):
                line.say(text)
        session.release()
    return 0 if ready else 1


def _run_checks(
    session: MeasuringSession, listener: LiveListener, name: str, keep: bool
) -> tuple[SoundcheckFindings, float | None]:
    """Return the findings on a voice, and the drift that was found since its profile."""
    listener.hear_background([name])
    found = identify(session, listener, name)
    voice = session.voice(name)
    touched, refused, check_cents, ratio = "", "", None, None
    drift_cents = None
    if found.follows:
        ratio = _bend_ratio(session, listener, name, found)
        drift = read_drift(session, listener, [name])[name]
        if isinstance(drift, DriftSinceProfile):
            drift_cents = drift.offset_cents
            touched = f"{drift.offset_cents:+z.2f} cents"
            if keep:
                send_touch_up(session, drift)
                check_cents = _check_note(session, listener, name)
        else:
            refused = drift.removeprefix(f"{name}: ")
    session.release(name)
    findings = SoundcheckFindings(
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
        not_followed=_why_not_followed(session, name),
    )
    return findings, drift_cents


def _bend_ratio(
    session: MeasuringSession, listener: LiveListener, name: str, found: Identity
) -> float | None:
    """Return the measured bend over the bend sent, for half the range; None if not read (B3)."""
    first = found.takes[0]
    wide = WIDE_SHARE * session.voice(name).bend_range_cents
    expected = first.sounding_cents + wide if wide <= MOST_SEARCHED_CENTS else None
    asked = replace(
        first.request, bend_cents=wide, seconds=SOUNDCHECK_TAKE_S, expected_cents=expected
    )
    takes = listener.listen(asked)
    return None if takes.pitch is None else (takes.sounding_cents - first.sounding_cents) / wide


def _check_note(session: MeasuringSession, listener: LiveListener, name: str) -> float | None:
    """Return the corrected error in cents of a note between those of the touch-up."""
    voice = session.voice(name)
    try:
        low, high = notes_for(voice)
    except MeasureError:
        return None
    wanted = 100.0 * ((low + high) // 2) + 1200.0 * voice.panel_octaves
    asked = TakeRequest(name, 0, 0.0, SOUNDCHECK_TAKE_S, "check", 0.1, wanted)
    (takes,) = listener.listen_corrected([asked])
    return None if takes.pitch is None else takes.sounding_cents - wanted


def _why_not_followed(session: MeasuringSession, name: str) -> str:
    """Return what the rig or follow itself says against following a voice."""
    if not session.listening(name).follow:
        return "the rig says follow: false"
    if not session.loaded.listening[name].input:
        return "it has no input of its own in the rig"
    sharing = [
        other
        for other in session.voices
        if other != name
        and session.always_heard(other)
        and session.loaded.listening[other].input == session.loaded.listening[name].input
    ]
    if sharing:
        return f"{', '.join(sharing)} always sounds on its input"
    shown = session.client.status().get("follow", {}).get("voices", {}).get(name, {})
    return "" if shown.get("followable", True) else str(shown.get("why", ""))

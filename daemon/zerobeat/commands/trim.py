"""``zerobeat trim``: plays a low and a high note in turn while the player trims."""

from __future__ import annotations

import argparse

from ..calibration.arguments import add_session_arguments, note_of, session_of, voices_of
from ..calibration.audio_listener import LiveListener
from ..calibration.live_touchup import notes_for
from ..calibration.measuring_session import MeasuringSession
from ..calibration.trim import GOOD_CENTS_PER_OCTAVE, TrimPlan, TrimState
from ..console.live_line import LiveLine
from ..console.needle import NeedleDisplay, needle_of
from ..errors import MeasureError
from ..tuning.units import name_of_note

NEAR_CENTS_PER_OCTAVE = 5.0  # cents an octave: closer is near
MOST_SILENT = 40  # refused takes in a row, after which the command ends


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_arguments(
        parser,
        "zerobeat trim reed --low C2 --high C5\n\n"
        "Plays a low and a high note in turn and shows offset and stretch, live: which\n"
        "way to turn, how far it has come, and when it is as good as it gets. Trimmers\n"
        "are inside: keep clear of mains parts, use an insulated screwdriver, and follow\n"
        "the maker's manual. --meter takes volts from a meter on the converter instead.",
    )
    parser.add_argument("voice", help="the voice")
    parser.add_argument("--low", help="the low note")
    parser.add_argument("--high", help="the high note, an octave or more above")
    parser.add_argument(
        "--rounds", type=int, default=0, help="end after so many (default: when done)"
    )
    parser.add_argument("--meter", action="store_true", help="type volts; nothing is listened to")


def run(args: argparse.Namespace) -> int:
    line = LiveLine()
    with session_of(args, line) as session:
        (name,) = voices_of(session, [args.voice], False)
        low, high = _notes(args, session, name)
        octave = session.loaded.rig.middle_c_octave
        line.say(f"{name}: {name_of_note(low, octave)} and {name_of_note(high, octave)} in turn")
        panel_octaves = session.voice(name).panel_octaves
        trim = TrimPlan(name, low, high, panel_octaves=panel_octaves)
        if args.meter:
            return _by_meter(session, name, (low, high), trim, line)
        session.open([name])
        session.caution([name])
        session.solo_by_hand(name)
        listener = LiveListener(session)
        listener.hear_background([name])
        return _run_rounds(trim, listener, session, args.rounds, line)


def _notes(args: argparse.Namespace, session: MeasuringSession, name: str) -> tuple[int, int]:
    octave = session.loaded.rig.middle_c_octave
    low, high = notes_for(session.voice(name))
    low = low if args.low is None else note_of(args.low, octave)
    high = high if args.high is None else note_of(args.high, octave)
    if high - low < 12:
        raise MeasureError(f"--high: found {high}; allowed: an octave or more above --low, {low}")
    return low, high


def _run_rounds(
    trim: TrimPlan, listener: LiveListener, session: MeasuringSession, rounds: int, line: LiveLine
) -> int:
    silent = 0
    display = NeedleDisplay(line, ("narrow", "wide"))
    while (request := trim.next()) is not None:
        take = listener.listen(request)
        trim.add(take)
        silent = 0 if take.pitch is not None else silent + 1
        if silent >= MOST_SILENT:
            raise MeasureError(f"{request.voice}: {take.refused.replace('_', ' ')} for too long")
        where = trim.result()
        if take.pitch is None:
            line.show(f"{request.voice}: {take.refused.replace('_', ' ')}; turn slowly")
        elif where is not None:
            needle = needle_of(
                request.voice, where.stretch_cents, GOOD_CENTS_PER_OCTAVE, NEAR_CENTS_PER_OCTAVE
            )
            session.show_needle(needle.values())
            display.show(needle, where.line())
        if rounds and len(trim.history) >= rounds:
            break
    display.end()
    return _end(trim.result(), line)


def _end(where: TrimState | None, line: LiveLine) -> int:
    if where is None:
        return 1
    line.say(where.line())
    line.say(f"{where.first_cents:+z.2f} cents an octave at first, {where.stretch_cents:+z.2f} now")
    return 0


def _by_meter(
    session: MeasuringSession, name: str, notes: tuple[int, int], trim: TrimPlan, line: LiveLine
) -> int:
    """Play both notes and read the volts that the player types."""
    zero = session.loaded.converters[session.voice(name).output].converter.zero_volt_note
    session.wait_for_outputs([name])
    while True:
        volts = []
        for note in notes:
            session.play(name, note=note)
            line.say(f"{name_of_note(note)}: volts at the converter's output? (Enter alone ends)")
            try:
                text = input().strip()
            except EOFError:
                text = ""
            if not text:
                return _end(trim.result(), line)
            try:
                volts.append(float(text.replace(",", ".")))
            except ValueError:
                raise MeasureError(
                    f"volts: found {text[:20]!r}; allowed: a number, as 2.001"
                ) from None
        trim.add_volts(volts[0], volts[1], zero)
        where = trim.result()
        assert where is not None
        line.say(where.line())

"""``zerobeat tune``: shows how far a panel is off, and which way to turn."""

from __future__ import annotations

import argparse
import time

from ..calibration import tune
from ..calibration.arguments import add_session_arguments, note_of, session_of, voices_of
from ..calibration.audio_listener import LiveListener
from ..calibration.measuring_session import MeasuringSession
from ..console.live_line import LiveLine
from ..console.needle import NeedleDisplay, needle_of
from ..measure.pitch.reader import REASONS
from ..tuning.units import name_of_note

PAUSE_S = 0.05  # between two readings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_session_arguments(
        parser,
        "zerobeat tune reed\n\n"
        "Comes before all else: plays the reference note, searches every octave, and\n"
        "says which way to tune until it is there; a needle shows it from the panel. A\n"
        "first note at the converter's 0 V can't be moved by a wrong slope, so that is\n"
        "the reference note.",
    )
    parser.add_argument("voice", help="the voice")
    parser.add_argument("--note", help="note to play (default: the converter's 0 V note)")
    parser.add_argument("--once", action="store_true", help="one reading, then end")


def run(args: argparse.Namespace) -> int:
    line = LiveLine()
    with session_of(args, line) as session:
        (name,) = voices_of(session, [args.voice], False)
        voice = session.voice(name)
        session.open([name])
        session.caution([name])
        session.solo_by_hand(name)
        listener = LiveListener(session)
        listener.hear_background([name])
        display = NeedleDisplay(line)
        note = (
            reference_of(session, name)
            if args.note is None
            else note_of(args.note, session.loaded.rig.middle_c_octave)
        )
        line.say(f"{name} plays {name_of_note(note, session.loaded.rig.middle_c_octave)} ({note})")
        good = 0
        likely_cents = 100.0 * note + 1200.0 * voice.panel_octaves
        while True:
            take = listener.listen(tune.tune_request(name, note, likely_cents))
            if take.pitch is None:
                reason = take.refused.replace("_", " ")
                text, done = f"{name}: {reason}: {REASONS.get(take.refused, '')}", False
                line.show(text)
            else:
                likely_cents = take.sounding_cents
                panel = tune.panel_reading(take, voice.panel_octaves)
                text, done = panel.line(), not panel.turn
                needle = needle_of(name, panel.off_cents, tune.IN_TUNE_CENTS)
                session.show_needle(needle.values())
                display.show(needle, text)
            good = good + 1 if done else 0
            if good >= 2 or args.once:
                display.end()
                line.say(text)
                return 0 if done or (args.once and take.pitch is not None) else 1
            time.sleep(PAUSE_S)


def reference_of(session: MeasuringSession, name: str) -> int:
    """Return the note by which a voice is tuned: 0 V, or the nearest note that it may be sent."""
    voice = session.voice(name)
    zero = session.loaded.converters[voice.output].converter.zero_volt_note
    return min(max(zero, voice.lowest_note), voice.highest_note)

"""The command line arguments that the measuring commands share."""

from __future__ import annotations

import argparse
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..console.live_line import LiveLine
from ..errors import MeasureError, NoteNameError
from ..tuning.units import parse_note
from .measuring_session import MeasuringSession, open_session


def add_session_arguments(parser: argparse.ArgumentParser, example: str) -> None:
    """Add the arguments for daemon, rig, audio input and ``--yes``."""
    parser.epilog = f"example: {example}"
    parser.add_argument("--input", default="", metavar="NAME", help="listen to this audio input")
    parser.add_argument(
        "--yes", action="store_true", help="never wait for a key or pedal: all is set up"
    )
    parser.add_argument(
        "--rig", type=Path, help="rig to start with if no zerobeat plays (default: rig.yaml)"
    )
    parser.add_argument(
        "--socket", type=Path, help="the daemon's control socket (default: looked for)"
    )


@contextmanager
def session_of(args: argparse.Namespace, line: LiveLine) -> Iterator[MeasuringSession]:
    """Yield the measuring session of a command.

    SIGTERM and SIGHUP end it as Ctrl-C does: every note is released, and a
    daemon that was started for the command is stopped.
    """
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _exit_on_signal)
    with open_session(line.say, args.rig, args.socket, args.input, args.yes) as session:
        try:
            yield session
        finally:
            line.clear()


def _exit_on_signal(number: int, frame: object) -> None:
    raise SystemExit(128 + number)


def voices_of(session: MeasuringSession, names: list[str], every: bool) -> list[str]:
    """Return the voices that a command names, each once.

    Args:
        every: return all voices of the rig.

    Raises:
        MeasureError: no voice is named.
        CommandError: the rig has no such voice.
    """
    if every or names == ["all"]:
        return list(session.voices)
    if not names:
        raise MeasureError(f"voice: found none; allowed: {', '.join(session.voices)}, or --all")
    for name in names:
        session.voice(name)
    return list(dict.fromkeys(names))


def note_of(text: str, middle_c_octave: int) -> int:
    """Return a note from a number or a name.

    Raises:
        MeasureError: it is neither.
    """
    try:
        note = int(text) if text.lstrip("-").isdigit() else parse_note(text, middle_c_octave)
    except NoteNameError as error:
        raise MeasureError(f"note: {error}") from None
    if not 0 <= note <= 127:
        raise MeasureError(f"note: found {note}; allowed: 0 to 127")
    return note

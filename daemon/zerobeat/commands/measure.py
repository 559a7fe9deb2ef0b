"""``zerobeat measure``: reads a voice, fits its curve, proves it, keeps its profile."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import MeasureError, NoteNameError
from ..tuning.units import parse_note
from .output_file import add_force, refuse_existing

if TYPE_CHECKING:
    from ..calibration.measurement import MeasuredVoice
    from ..calibration.measuring_session import MeasuringSession
    from ..config.rig import LoadedRig
    from ..engine.settings import Voice
    from ..measure.curve.fit_result import Aim
    from ..measure.pitch.take import Progress, TakeListener

NOT_KEPT = 3  # exit status: measured, but not kept


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat measure reed                          plays it, listens on its input\n"
        "  zerobeat measure --all --every-semitone\n"
        "  zerobeat measure reed --readings reed.txt      lines such as: C4 +3.2\n"
        "  zerobeat measure reed --wav sweep.wav --notes C2-C6\n"
        "  zerobeat measure quad --volts quad.txt         lines such as: 1 C2 0.0012\n"
        "  zerobeat measure reed --spellings              its converter, without a meter\n"
        "  zerobeat measure horn --moved-from reed        reed's oscillator, plugged in there\n"
        "  zerobeat measure reed --virtual                no hardware, nothing is kept\n"
        "  zerobeat measure reed --undo\n\n"
        "Notes are the numbers sent to the converter; in --readings they are the keys\n"
        "that a tuner shows. Before the first drone: turn the volume down. Live: a raw\n"
        "waveform or an open filter, no sync, vibrato, chorus, a tap before any delay;\n"
        "voices with inputs of their own are read side by side; any key stops it, and\n"
        "plays. With no zerobeat running, one is started for as long as it takes.\n"
        "Exit status: 0 kept, 3 not kept because it is worse than what is there."
    )
    parser.add_argument("voice", nargs="*", help="voices of the rig; with --volts a converter")
    parser.add_argument("--all", action="store_true", help="every voice, live")
    parser.add_argument("--input", default="", metavar="NAME", help="listen to this audio input")
    parser.add_argument("--yes", action="store_true", help="never wait: all is set up")
    parser.add_argument("--dry-run", action="store_true", help="live: show it, keep nothing")
    parser.add_argument(
        "--rig", type=Path, help="default: rig.yaml; live, that of the zerobeat that plays"
    )
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--readings", type=Path, metavar="FILE", help="a tuner's readings, typed")
    source.add_argument("--wav", type=Path, metavar="FILE", help="a recorded sweep of --notes")
    source.add_argument("--volts", type=Path, metavar="FILE", help="a meter on the converter")
    source.add_argument(
        "--virtual",
        type=int,
        nargs="?",
        const=0,
        metavar="SEED",
        help="a made-up oscillator in the voice's place; nothing is kept",
    )
    source.add_argument("--undo", action="store_true", help="bring back the profile before")
    parser.add_argument(
        "--tolerance", type=float, default=0.5, metavar="CENTS", help="stop there (default: 0.5)"
    )
    parser.add_argument(
        "--every-semitone", action="store_true", help="read each note: converters with wrong notes"
    )
    parser.add_argument("--notes", metavar="LIST", help="only these: C2-C6, or 36,48,60; C2-C6/3")
    table = parser.add_mutually_exclusive_group()
    table.add_argument(
        "--spellings",
        action="store_true",
        help="the converter's table without a meter: each pitch played as two notes",
    )
    table.add_argument(
        "--moved-from",
        metavar="VOICE",
        help="the channel's table: that voice's oscillator is plugged in here",
    )
    parser.add_argument("--channel", type=int, default=1, help="of a WAV file (default: 1)")
    parser.add_argument("--no-check", action="store_true", help="play no check notes at the end")
    parser.add_argument(
        "--no-glance", action="store_true", help="no short look at every note before it reads"
    )
    parser.add_argument("--accept", action="store_true", help="keep it even if it is worse")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="write it there, keep nothing; with --spellings: the converter's table",
    )
    add_force(parser)
    parser.add_argument("--socket", type=Path, help="the daemon's control socket")


def run(args: argparse.Namespace) -> int:
    from ..calibration import measurement as measuring
    from ..calibration import profile_persistence as keeping
    from ..calibration.describe_fit import measured_lines
    from ..state.state_directory import load_rig

    if not 0.05 <= args.tolerance <= 50.0:
        raise MeasureError(f"--tolerance: found {args.tolerance:g}; allowed: 0.05 to 50 cents")
    if args.out is not None:
        refuse_existing([args.out], args.force)
    sources = (args.readings, args.wav, args.volts, args.virtual)
    if args.spellings or args.moved_from is not None:
        return _measure_converter(args)
    if all(source is None for source in sources) and not args.undo and args.out is None:
        return _measure_live_voices(args)
    if len(args.voice) != 1:
        raise MeasureError(f"found {len(args.voice)} names; allowed: one voice")
    (args.voice,) = args.voice
    loaded = load_rig(args.rig or Path("rig.yaml"))
    if args.volts is not None:
        from ..calibration.meter_table import run_volts

        return run_volts(args.volts, args.voice, loaded, args.out)
    voice = measuring.find_voice(loaded, args.voice)
    if args.undo:
        print(keeping.undo_profile(loaded, voice.name, args.socket))
        return 0
    aim = _aim(args, loaded, voice)
    found = _measure_source(args, loaded, voice, aim)
    print("\n".join(measured_lines(found, aim)))
    return _keep_measured(args, loaded, found)


def _measure_source(
    args: argparse.Namespace, loaded: LoadedRig, voice: Voice, aim: Aim
) -> MeasuredVoice:
    from ..calibration import measurement as measuring
    from ..measure.curve.proof import CHECK_NOTES

    middle = loaded.rig.middle_c_octave
    if args.readings is not None:
        from ..calibration.readings_file import read_typed

        return measuring.by_readings(read_typed(args.readings, voice, middle), aim, voice)
    if args.wav is not None:
        from ..calibration.readings_file import read_recording

        notes = aim.notes or range(aim.lowest_note, aim.highest_note + 1)
        takes = read_recording(args.wav, args.channel, voice, tuple(notes), middle)
        return measuring.by_readings(takes, aim, voice)
    return measuring.by_listening(
        _listener(args, loaded, voice),
        aim,
        voice,
        loaded.converters[voice.output],
        on_progress=show_progress,
        checks=0 if args.no_check else CHECK_NOTES,
    )


def _listener(args: argparse.Namespace, loaded: LoadedRig, voice: Voice) -> TakeListener:
    if args.virtual is not None:
        from ..render.virtual_listener import virtual_voice

        return virtual_voice(loaded, voice, args.virtual)
    raise MeasureError("--out: allowed with --readings, --wav, --volts or --virtual")


def _measure_live_voices(args: argparse.Namespace) -> int:
    """Measure voices live, through the daemon."""
    from ..calibration.arguments import session_of, voices_of
    from ..calibration.closing_table import closing_lines, measured_rows
    from ..calibration.live_measurement import MeasureOptions, measure_live
    from ..console.live_line import LiveLine
    from ..measure.curve.proof import CHECK_NOTES

    line = LiveLine()
    with session_of(args, line) as session:
        names = voices_of(session, args.voice, args.all)
        if not args.dry_run:
            session.check_kept(names)
        session.open(names)
        options = MeasureOptions(0 if args.no_check else CHECK_NOTES, args.accept, args.dry_run)
        found = measure_live(session, names, _aim_maker(args), options, line)
        if len(names) > 1:
            for text in closing_lines(measured_rows(found)):
                line.say(text)
    return NOT_KEPT if any(isinstance(one, str) for one in found.values()) else 0


def _measure_converter(args: argparse.Namespace) -> int:
    """Find a converter's table by two spellings of each pitch, or by a moved oscillator."""
    option = "--spellings" if args.spellings else "--moved-from"
    others = ("readings", "wav", "volts", "undo", "every_semitone", "all")
    for other in (*others, *(() if args.spellings else ("virtual",))):
        found = getattr(args, other)
        if found is not None and found is not False:
            raise MeasureError(
                f"{option}: found --{other.replace('_', '-')} beside it; allowed: one"
            )
    if len(args.voice) != 1:
        raise MeasureError(f"found {len(args.voice)} names; allowed with {option}: one voice")
    if args.spellings and args.virtual is not None:
        return _spell_virtual_voice(args)
    from ..calibration import converter_spelled as converters
    from ..calibration.arguments import session_of
    from ..calibration.live_measurement import MeasureOptions
    from ..console.live_line import LiveLine
    from ..measure.curve.proof import CHECK_NOTES

    (name,) = args.voice
    line = LiveLine()
    with session_of(args, line) as session:
        session.voice(name)
        make_aim = _aim_maker(args)
        if not args.spellings:
            converters.check_moved(session, name, args.moved_from)
            session.open([name])
            converters.compare_channels(session, name, args.moved_from, make_aim, line, args.out)
            return 0
        if not args.dry_run:
            session.check_kept([name])
        session.open([name])
        options = MeasureOptions(0 if args.no_check else CHECK_NOTES, args.accept, args.dry_run)
        found = converters.spell_live(session, name, make_aim, options, line, args.out)
    if isinstance(found, str):
        print(found, file=sys.stderr)
        return NOT_KEPT
    return 0


def _spell_virtual_voice(args: argparse.Namespace) -> int:
    from ..calibration import converter_spelled as converters
    from ..calibration import measurement as measuring
    from ..measure.curve.proof import CHECK_NOTES
    from ..state.state_directory import load_rig

    loaded = load_rig(args.rig or Path("rig.yaml"))
    voice = measuring.find_voice(loaded, args.voice[0])
    aim = _aim(args, loaded, voice)
    found, lines = converters.spell_virtual(
        _listener(args, loaded, voice),
        aim,
        voice,
        loaded.converters[voice.output],
        show_progress,
        0 if args.no_check else CHECK_NOTES,
    )
    print("\n".join(lines))
    if found.fit is not None:
        table = converters.spelled_table(found, voice, aim.zero_volt_note)
        converters.hand_over(table, args.out, print)
    print("a made-up oscillator: nothing is kept")
    return 0


def _aim(args: argparse.Namespace, loaded: LoadedRig, voice: Voice) -> Aim:
    from ..calibration import measurement as measuring

    notes = parse_note_list(args.notes, loaded.rig.middle_c_octave)
    # Two spellings of each pitch need all notes of a stretch, whichever are listed.
    whole = bool(notes) and bool(args.spellings or args.moved_from)
    return measuring.aim_of(
        loaded,
        voice,
        tolerance_cents=args.tolerance,
        every_semitone=args.every_semitone,
        notes=() if whole else notes,
        lowest_note=min(notes) if whole else None,
        highest_note=max(notes) if whole else None,
        glance=not args.no_glance,
    )


def _aim_maker(args: argparse.Namespace) -> Callable[[MeasuringSession, str], Aim]:
    def make_aim(session: MeasuringSession, name: str) -> Aim:
        return _aim(args, session.loaded, session.voice(name))

    return make_aim


def _keep_measured(args: argparse.Namespace, loaded: LoadedRig, found: MeasuredVoice) -> int:
    from ..calibration import profile_persistence as keeping
    from ..calibration.readings_file import write_text_file
    from ..config.profile_file import profile_to_yaml

    if args.out is not None:
        write_text_file(args.out, profile_to_yaml(found.profile))
        print(f"written to {args.out}")
        return 0
    if args.virtual is not None:
        print("a made-up oscillator: nothing is kept (--out FILE writes its profile)")
        return 0
    if found.worse and not args.accept:
        print(f"not kept: {found.worse}; --accept keeps it", file=sys.stderr)
        return NOT_KEPT
    print(keeping.keep_profile(loaded, found.profile, args.socket))
    return 0


def show_progress(progress: Progress) -> None:
    """Show a progress line over the last one, in a terminal only."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{progress.line()}", end="", file=sys.stderr, flush=True)
        if progress.doing in ("done", "checked"):
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def parse_note_list(text: str | None, middle_c_octave: int = 4) -> tuple[int, ...]:
    """Return the notes of a list such as ``C2-C6/3,100``, in its order.

    Raises:
        MeasureError: a part of the list can't be read.

    >>> notes_of("36-48/6,C4")
    (36, 42, 48, 60)
    """
    if text is None:
        return ()
    found: list[int] = []
    for part in text.split(","):
        span, _, step = part.strip().partition("/")
        first, dash, last = span.partition("-") if not span.startswith("-") else (span, "", "")
        try:
            ends = [
                _parse_one(one, middle_c_octave) for one in ([first, last] if dash else [first])
            ]
            stride = int(step) if step else 1
        except (NoteNameError, ValueError):
            ends, stride = [], 0
        if not ends or stride < 1 or ends[0] > ends[-1]:
            raise MeasureError(
                f"--notes: found {part.strip()!r}; allowed: C2-C6, C2-C6/3 (every third) or 36"
            )
        found += range(ends[0], ends[-1] + 1, stride)
    return tuple(found)


def _parse_one(text: str, middle_c_octave: int) -> int:
    return parse_note(int(text) if text.strip().isdecimal() else text.strip(), middle_c_octave)

"""``zerobeat demo``: renders a virtual case before and after correction.

Without hardware, sound card or network: four flawed voices play a phrase twice
through the engine of ``run``; audio and MIDI files are written.
"""

from __future__ import annotations

import argparse
import time
import wave
from pathlib import Path
from typing import Any

from ..errors import StoreError
from .output_file import add_force, refuse_existing

PEAK = 0.6  # of full scale, of the louder file
TICKS_A_BEAT = 2500  # a quarter of a millisecond at this tempo


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "example: zerobeat demo --out /tmp/demo"
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(),
        metavar="DIR",
        help="folder for before.wav, after.wav and corrected.mid (default: this one)",
    )
    parser.add_argument(
        "--seed", type=_seed, default=0, help="another number, other flaws (default: 0)"
    )
    parser.add_argument(
        "--stems", action="store_true", help="write each voice alone as well, as after-reed.wav"
    )
    parser.add_argument(
        "--follow",
        action="store_true",
        help="an hour of drift instead, not followed and followed: follow-before.wav, "
        "follow-after.wav and follow.svg",
    )
    add_force(parser)


def _seed(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 9:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a whole number from 0")
    return int(text)


def run(args: argparse.Namespace) -> int:
    # Imported here: --help and the other commands need neither numpy nor the case.
    from ..render import rehearsal
    from ..sim.scenario import BEAT_S, PARTS, PHRASE

    if args.follow:
        return _follow(args)
    started_s = time.monotonic()
    names = ["before.wav", "after.wav", "corrected.mid"]
    if args.stems:
        names += [f"{when}-{part.name}.wav" for when in ("before", "after") for part in PARTS]
    files = _claim(args.out, names, args.force)

    found = rehearsal.measure_case(args.seed)
    curves = found.curves
    pitches = [rehearsal.sweep(args.seed, curves, bypass) for bypass in (True, False)]
    events = rehearsal.phrase_events(PHRASE, BEAT_S)
    played = [rehearsal.perform(events, args.seed, curves, bypass) for bypass in (True, False)]
    stems = _stems(played)
    for name, content in _wave_files(stems, args.stems).items():
        _write_output(files[name], content)
    _write_output(files["corrected.mid"], _midi_file(played[1].sent))

    for line in table(pitches[0], pitches[1]):
        print(line)
    print(f"Measured by their sound alone: {found.takes} takes, {found.sound_s:.0f} s of it.\n")
    print(f"Written to {args.out}: {', '.join(names[:3])}")
    if args.stems:
        print(f"and {len(names) - 3} single voices: {names[3]} to {names[-1]}")
    print("Hear before.wav, then after.wav: the unison and the last chord stop beating.")
    print("Start with the volume low: steady tones tire ears and loudspeakers.")
    print(f"({time.monotonic() - started_s:.1f} s)")
    return 0


# ------------------------------------------------------------------ table


def _follow(args: argparse.Namespace) -> int:
    """Play an hour of drift, not followed and followed."""
    from ..render import follow_demo

    started_s = time.monotonic()
    files = _claim(args.out, ["follow-before.wav", "follow-after.wav", "follow.svg"], args.force)
    before, after = (follow_demo.play_evening(follows, args.seed) for follows in (False, True))
    loudest = max(abs(before.sound).max(), abs(after.sound).max())
    for name, played in (("follow-before.wav", before), ("follow-after.wav", after)):
        _write_output(files[name], _wave_file(PEAK / loudest * played.sound))
    _write_output(files["follow.svg"], follow_demo.evening_svg(before, after).encode())
    print("an hour of drift: a case warms up, then a door is opened; cents off")
    print("\n".join(follow_demo.evening_table(before, after)))
    print(f"{after.readings} readings of what was played, in {time.monotonic() - started_s:.0f} s")
    print("the last minute: follow-before.wav, follow-after.wav; the hour: follow.svg")
    return 0


def table(before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    """Return lines of at most 79 characters: cents off and beats, by voice and octave.

    Args:
        before: pitches without correction, from ``rehearsal.sweep``.
        after: the same with correction.
    """
    from ..sim.scenario import PARTS
    from ..tuning.units import name_of_note

    lines = [
        "Cents off the written pitch, lowest and highest of each octave, and the",
        "fastest beat against a voice that is in tune:",
        "",
        f"{'voice':<7}{'keys':<12}{'before':^16}{'after':^16}{'beat before':>13}{'after':>12}",
    ]
    for part in PARTS:
        for first in range(part.lowest_key, part.highest_key + 1, 12):
            last = min(first + 11, part.highest_key)
            span = slice(first - part.lowest_key, last + 1 - part.lowest_key)
            cents = [
                pitches[part.name][span] - _written_cents(first, last)
                for pitches in (before, after)
            ]
            beats = [
                _fastest_beat(pitches[part.name][span], first, last) for pitches in (before, after)
            ]
            keys = f"{name_of_note(first)} to {name_of_note(last)}"
            lines.append(
                f"{part.name:<7}{keys:<12}{_range_text(cents[0]):^16}{_range_text(cents[1]):^16}"
                f"{beats[0]:>9.2f} Hz {beats[1]:>8.3f} Hz"
            )
    return lines


def _written_cents(first: int, last: int) -> Any:
    import numpy as np

    return 100.0 * np.arange(first, last + 1)


def _range_text(cents: Any) -> str:
    return f"{cents.min():+z6.2f} {cents.max():+z6.2f}"


def _fastest_beat(pitches: Any, first: int, last: int) -> float:
    from ..tuning.units import beat_hertz

    pairs = zip(pitches, _written_cents(first, last), strict=True)
    return max(abs(beat_hertz(written, sounding)) for sounding, written in pairs)


# ------------------------------------------------------------------ files


def _claim(folder: Path, names: list[str], force: bool) -> dict[str, Path]:
    """Return the paths to write; refuse files that are there, before any work is done."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise _unwritable(folder, error) from None
    files = {name: folder / name for name in names}
    refuse_existing(files.values(), force)
    return files


def _write_output(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise _unwritable(path, error) from None


def _unwritable(path: Path, error: Exception) -> StoreError:
    reason = (getattr(error, "strerror", None) or str(error)).lower()
    return StoreError(f"{path}: cannot be written: {reason}")


def _stems(played: list[Any]) -> dict[str, dict[str, Any]]:
    """Return each voice's samples, by "before" or "after" and its name."""
    from ..sim.scenario import PARTS, PHRASE_S, PLAYED_S, SAMPLE_RATE_HZ, TAIL_S

    return {
        when: {
            part.name: one.case.render(
                PHRASE_S + TAIL_S, SAMPLE_RATE_HZ, start_s=PLAYED_S, channels=[part.channel]
            )
            for part in PARTS
        }
        for when, one in zip(("before", "after"), played, strict=True)
    }


def _wave_files(stems: dict[str, dict[str, Any]], with_stems: bool) -> dict[str, bytes]:
    """Return the content of each WAV file, with one gain for all so that they can be compared."""
    mixes = {when: sum(voices.values()) for when, voices in stems.items()}
    gain = PEAK / max(abs(mix).max() for mix in mixes.values())
    files = {f"{when}.wav": _wave_file(gain * mix) for when, mix in mixes.items()}
    if with_stems:
        for when, voices in stems.items():
            for name, samples in voices.items():
                files[f"{when}-{name}.wav"] = _wave_file(gain * samples)
    return files


def _wave_file(samples: Any) -> bytes:
    import io

    import numpy as np

    from ..sim.scenario import SAMPLE_RATE_HZ

    steps = np.clip(np.round(samples * 32767.0), -32768, 32767).astype("<i2")
    content = io.BytesIO()
    with wave.open(content, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(SAMPLE_RATE_HZ)
        file.writeframes(steps.tobytes())
    return content.getvalue()


def _midi_file(sent: list[tuple[float, bytes]]) -> bytes:
    """Return the bytes sent to the converter as a Standard MIDI File."""
    import io

    import mido

    from ..midi import encode
    from ..sim.midi_stream import ByteStream
    from ..sim.scenario import BEAT_S

    file = mido.MidiFile(type=0, ticks_per_beat=TICKS_A_BEAT)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("track_name", name="quad, corrected"))
    track.append(mido.MetaMessage("set_tempo", tempo=round(BEAT_S * 1e6)))
    begin_s = min((at_s for at_s, _ in sent), default=0.0)
    last = 0
    stream = ByteStream()
    for at_s, content in sent:
        tick = round((at_s - begin_s) / BEAT_S * TICKS_A_BEAT)
        for message in stream.feed(content):
            track.append(mido.Message.from_bytes(encode(message), time=tick - last))
            last = tick
    content_file = io.BytesIO()
    file.save(file=content_file)
    return content_file.getvalue()

"""A converter's table without a meter: by two spellings of each pitch, or a moved oscillator.

What an oscillator sounds when one pitch is played as two notes shows the converter's errors
by note number (``measure/curve/spellings.py``). One oscillator on two channels shows how these
differ, whatever the errors follow. Both become ``channels`` of the converter's file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..config.converter_file import ConverterFile
from ..config.describe import wrapped
from ..config.voice_field import with_profile
from ..console.live_line import LiveLine
from ..engine.settings import Voice
from ..errors import MeasureError
from ..measure.curve.fit_result import Aim, CurveFit
from ..measure.curve.plan import MeasuringPlan
from ..measure.curve.proof import ProofPlan
from ..measure.curve.spellings import SpelledErrors, SpellingsPlan
from ..measure.pitch.take import Progress, TakeListener, run_plan
from ..text import counted
from ..tuning.units import name_of_note, pitch_to_volts
from .audio_listener import LiveListener
from .describe_fit import proof_lines
from .identity import prove
from .live_measurement import (
    MakeAim,
    MeasureOptions,
    proof_plan,
    run_together,
    show_and_keep,
    source_line,
)
from .measurement import MeasuredVoice, encoder, measured_voice, profile_of
from .measuring_session import MeasuringSession
from .meter_table import yaml_of
from .readings_file import TypedVolts, write_text_file

BY_VOLTS = "its errors follow volts and stay in this voice's curve, which belongs to this channel"
WORST_SHOWN = 6


@dataclass(frozen=True, slots=True)
class ConverterTable:
    """What a converter's file gets: the volts of one channel, and what the errors follow."""

    output: str
    channel: int
    volts: tuple[tuple[int, float], ...]  # note and volts, rising
    errors_follow: str = ""  # "" leaves the file's own

    def yaml(self) -> str:
        """Return the lines of a converter file."""
        rows = [TypedVolts(self.channel, note, round(volts, 5), 0) for note, volts in self.volts]
        follow = f"errors_follow: {self.errors_follow}\n" if self.errors_follow else ""
        return follow + yaml_of(rows)


# ---------------------------------------------------------------- two spellings of each pitch


def spelled_table(found: SpelledErrors, voice: Voice, zero_volt_note: int) -> ConverterTable:
    """Return the table of errors by number, without a constant and a straight line."""
    volts = tuple(
        (note, pitch_to_volts(100.0 * note + cents, zero_volt_note))
        for note, cents, _ in found.notes
    )
    return ConverterTable(voice.output, voice.channel, volts, "number")


def spelled_lines(found: SpelledErrors, voice: Voice, middle_c_octave: int) -> list[str]:
    """Return what two spellings of each pitch say about a converter's channel."""
    channel = f"{voice.output}, channel number {voice.channel + 1}"
    rounding = (
        f"; its steps are about {found.step_cents:.1f} cents, less than "
        f"{1.5 * found.step_cents:.1f} is not told from rounding"
        if found.step_cents
        else ""
    )
    if found.follow == "volts":
        return wrapped(
            f"{found.voice}: two spellings of each pitch differ by {found.differs_cents:.2f} cents "
            f"at most{rounding}",
            0,
        ) + wrapped(f"{channel}: {BY_VOLTS}", 0)
    worst = sorted(found.notes, key=lambda one: -abs(one[1]))[:WORST_SHOWN]
    names = ", ".join(
        f"{name_of_note(note, middle_c_octave)} {cents:+z.2f}" for note, cents, _ in sorted(worst)
    )
    known = 2.0 * max(sigma for _, _, sigma in found.notes)
    return (
        wrapped(
            f"{channel}: its errors follow the note number: "
            f"{counted(len(found.notes), 'note')}, each known to {known:.2f} cents "
            f"(19 times in 20){rounding}",
            0,
        )
        + wrapped(f"worst, in cents: {names}", 0)
        + wrapped(
            "a constant and a straight line can't be told from the oscillator's: they stay in "
            "the voice's curve",
            0,
        )
    )


def spell_live(
    session: MeasuringSession,
    name: str,
    make_aim: MakeAim,
    options: MeasureOptions,
    line: LiveLine,
    out: Path | None,
) -> MeasuredVoice | str | None:
    """Find a converter's errors by number, live; show them, and keep the voice's profile.

    Returns:
        The result that was kept, one line that says why none was, or None where the errors
        follow volts and there is nothing to keep.
    """
    listener = _ready(session, name)
    aim = make_aim(session, name)
    plan = SpellingsPlan(aim)
    _run(session, listener, line, {name: plan})
    found = plan.result()
    voice, middle = session.voice(name), session.loaded.rig.middle_c_octave
    line.clear()
    for text in spelled_lines(found, voice, middle):
        line.say(text)
    if found.fit is None:
        session.release()
        line.say(f"'zerobeat measure {name}' measures that curve")
        return None
    proving = None
    if options.checks:
        proving = proof_plan(session, aim, found.fit, options.checks, ())
        _run(session, listener, line, {name: proving})
    session.release()
    line.clear()
    result = measured_voice(found.fit, aim, proving.result() if proving else None, voice)
    line.say(source_line(session, listener, name))
    dated = f"{result.profile.measured}, {listener.rates_hz[name]:g} Hz"
    result = replace(result, profile=replace(result.profile, measured=dated))
    kept = show_and_keep(session, result, aim, options, line)
    hand_over(spelled_table(found, voice, aim.zero_volt_note), out, line.say)
    return kept


def spell_virtual(
    listener: TakeListener,
    aim: Aim,
    voice: Voice,
    converter_file: ConverterFile,
    on_progress: Callable[[Progress], None] | None,
    checks: int,
) -> tuple[SpelledErrors, list[str]]:
    """Find a virtual converter's errors by number; return them and lines on check notes."""
    plan = SpellingsPlan(aim)
    run_plan(plan, listener, on_progress)
    found = plan.result()
    lines = spelled_lines(found, voice, aim.middle_c_octave)
    if found.fit is not None and checks:
        bare = replace(voice, curve=None, note_errors_cents=None)
        after = with_profile(bare, profile_of(found.fit, aim, None), converter_file)
        proving = ProofPlan(aim, found.fit, encoder(voice), encoder(after), checks)
        run_plan(proving, listener, on_progress)
        lines += proof_lines(proving.result(), aim)
    return found, lines


def hand_over(table: ConverterTable, out: Path | None, say: Callable[[str], None]) -> None:
    """Show a table for a converter's file, or write it."""
    where = f"the file of {table.output}, in place of channel number {table.channel + 1}"
    if out is not None:
        write_text_file(out, table.yaml())
        say(f"written to {out}: put it into\n{where}")
        return
    say(f"\nPut this into {where}:\n")
    for text in table.yaml().splitlines():
        say(text)


# ---------------------------------------------------------------- one oscillator, two channels


def moved_table(
    fit: CurveFit, voice: Voice, before: Voice, converter_file: ConverterFile
) -> ConverterTable:
    """Return the table of a channel, by an oscillator that was measured on another one.

    Args:
        fit: of the oscillator on this channel, every note read.
        voice: of this channel.
        before: the voice whose oscillator it is, with its curve, on the same converter.
        converter_file: of both; without a table of the other channel, that one counts as right.
    """
    assert before.curve is not None
    zero = converter_file.converter.zero_volt_note
    other = converter_file.curve(before.channel)
    by_volts = other is not None and converter_file.converter.errors_follow == "volts"
    by_note: dict[int, list[float]] = {}
    for one in fit.readings:
        if one.bend_cents == 0.0 and not one.doubtful:
            there = before.curve.commanded(100.0 * one.note + one.cents)
            if other is not None and by_volts:
                there = other.sounding(there)
            by_note.setdefault(one.note, []).append(pitch_to_volts(there, zero))
    volts = tuple((note, float(np.mean(found))) for note, found in sorted(by_note.items()))
    return ConverterTable(voice.output, voice.channel, volts)


def moved_lines(table: ConverterTable, before: Voice, zero_volt_note: int) -> list[str]:
    """Return how a channel differs from that which the oscillator was measured on."""
    notes = np.array([note for note, _ in table.volts])
    octaves = (notes - zero_volt_note) / 12.0
    cents = 1200.0 * (np.array([volts for _, volts in table.volts]) - octaves)
    slope, offset = np.polyfit(octaves, cents, 1)
    left = cents - slope * octaves - offset
    return wrapped(
        f"{table.output}: channel number {table.channel + 1}, by the oscillator of "
        f"{before.name} (channel number {before.channel + 1}): {offset / 1.2:+z.2f} mV at 0 V, "
        f"{slope:+z.2f} cents an octave, single notes up to {np.abs(left).max():.2f} cents off "
        "that line",
        0,
    )


def check_moved(session: MeasuringSession, name: str, before: str) -> tuple[Voice, Voice]:
    """Return the voice of the new channel, and the voice whose oscillator was moved there.

    Raises:
        MeasureError: they are one voice, on two converters, or the second has no profile.
    """
    here, there = session.voice(name), session.voice(before)
    if (here.output, here.channel) == (there.output, there.channel):
        raise MeasureError(f"--moved-from: found {before}; allowed: a voice of another channel")
    if here.output != there.output:
        raise MeasureError(
            f"--moved-from: found {before} on {there.output}; allowed: a voice of {here.output}, "
            f"the converter of {name}"
        )
    if there.curve is None:
        raise MeasureError(f"--moved-from: {before} has no profile; measure it there first")
    return here, there


def compare_channels(
    session: MeasuringSession,
    name: str,
    before: str,
    make_aim: MakeAim,
    line: LiveLine,
    out: Path | None,
) -> None:
    """Measure a moved oscillator on its new channel, and show how the channels differ."""
    here, there = check_moved(session, name, before)
    if not session.yes:
        line.say(
            f"plug the oscillator of {before} into channel number {here.channel + 1} of "
            f"{here.output}, its sound into {session.input_of(name)}"
        )
        session.wait_for_player()
    listener = _ready(session, name)
    aim = replace(make_aim(session, name), every_semitone=True, test_bend=False)
    plan = MeasuringPlan(aim)
    _run(session, listener, line, {name: plan})
    session.release()
    line.clear()
    converter_file = session.loaded.converters[here.output]
    table = moved_table(plan.result(), here, there, converter_file)
    for text in moved_lines(table, there, aim.zero_volt_note):
        line.say(text)
    if not converter_file.volts.get(there.channel):
        line.say(f"channel number {there.channel + 1} has no table: it counts as right")
    hand_over(table, out, line.say)


def _ready(session: MeasuringSession, name: str) -> LiveListener:
    listener = LiveListener(session)
    session.caution([name])
    session.solo_by_hand(name)
    listener.hear_background([name])
    prove(session, listener, name)
    return listener


def _run(
    session: MeasuringSession,
    listener: LiveListener,
    line: LiveLine,
    plans: dict[str, SpellingsPlan] | dict[str, ProofPlan] | dict[str, MeasuringPlan],
) -> None:
    """Run one plan; its failure ends the command."""
    failed: Iterable[str] = run_together(dict(plans), session, listener, line.show).values()
    for text in failed:
        raise MeasureError(text)

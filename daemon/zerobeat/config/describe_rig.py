"""Describes a rig in lines of at most 80 columns, for ``zerobeat check``."""

from __future__ import annotations

from collections.abc import Iterable

from ..engine.chain import Chain
from ..engine.settings import PLAIN, Input, Output, Rig, Tonight, Voice
from ..text import counted
from ..tuning.units import pitch_to_volts
from .curve_field import curve_facts
from .describe import (
    WIDTH,
    converter_lines,
    named,
    pedalboard_lines,
    scene_lines,
    unison_ms,
    wrapped,
)
from .describe_expression import mpe_facts, reach_warnings
from .extra_field import extra_facts
from .page_field import PageSettings
from .rig import LoadedRig


def rig_lines(loaded: LoadedRig) -> list[str]:
    """Return the summary of a rig: ports, converters, voices, scenes, warnings, files."""
    rig = loaded.rig
    lines = [*_inputs(loaded), "", "converters"]
    for output in rig.outputs:
        lines += _output(output, rig)
    if loaded.audio_inputs:
        lines += ["", "audio inputs (for measuring)"]
    for source in loaded.audio_inputs.values():
        like = "the one device like " if source.device_is_pattern else ""
        clock = f"; clock {source.clock_ppm:+g} ppm" if source.clock_ppm else ""
        text = f"{source.name}: {like}{source.device}, channel number {source.channel + 1}{clock}"
        lines += wrapped(text)
    if loaded.page.enabled:
        lines += ["", "page (for the phone)", *_page(loaded.page)]
    lines += ["", "voices"]
    for voice in rig.voices:
        lines += _voice(voice, loaded)
    lines += ["", "scenes"]
    if not loaded.scenes:
        lines += wrapped("none: all voices in unison, pitch left alone")
    for scene in loaded.scenes:
        start = " (starts)" if scene.name == rig.start_scene else ""
        inner = scene_lines(scene, rig.program_numbers_from, rig.middle_c_octave)
        lines += ["  " + line for line in _narrow(inner, start)]
    warnings = [*loaded.warnings, *wheel_warnings(rig), *reach_warnings(rig, loaded.scenes)]
    if warnings:
        lines += ["", "warnings"]
        for warning in warnings:
            lines += wrapped(warning)
    lines += ["", "files read"]
    for path in loaded.files_read:
        lines += wrapped(str(path))
    return lines


def _page(page: PageSettings) -> list[str]:
    """Return where the page is served and what a phone may do there."""
    where = ", ".join(f"http://{address}/" for address in page.addresses)
    may = "a paired phone may give commands" if page.commands else "a picture only"
    return wrapped(f"{where}; {may}")


def wheel_warnings(rig: Rig) -> list[str]:
    """Return a line for each wheel that takes the bend range whole, where a voice is corrected."""
    found = []
    for source in rig.inputs:
        voices = [
            voice.name
            for voice in rig.voices
            if voice.curve is not None and source.wheel_cents >= voice.bend_range_cents
        ]
        if source.plays and voices:
            found.append(
                f"inputs.{source.name}.wheel_cents: {source.wheel_cents:g} cents are the whole "
                f"bend range of {', '.join(voices)}, or more: at the wheel's end the correction "
                "is lost; let the wheel reach less, or give the converter a wider bend range"
            )
    return found


def _narrow(lines: list[str], start: str) -> Iterable[str]:
    """Yield lines made for 80 columns so that they fit two columns further in."""
    for i, line in enumerate(lines):
        text = line + start if i == 0 else line
        indent = len(line) - len(line.lstrip())
        yield from wrapped(text.strip(), indent, indent + 2, WIDTH - 2)


def _inputs(loaded: LoadedRig) -> list[str]:
    rig = loaded.rig
    lines = [f"inputs (key 60 is C{rig.middle_c_octave}, concert A {rig.concert_a_hz:g} Hz)"]
    for source in rig.inputs:
        lines += wrapped(f"{source.name}: {_port(source)}")
        channel = (
            "all channels" if source.channel is None else f"channel number {source.channel + 1}"
        )
        facts = [channel, f"wheel {source.wheel_cents:g} cents either side"]
        facts += [] if source.mpe is None else mpe_facts(source.mpe)
        facts += ["controllers 5, 65 and 84 rule glides"] if source.glide_controllers else []
        facts += ["clock counts"] if source.name == rig.clock_from else []
        facts += [] if source.plays else ["plays no notes"]
        facts += curve_facts(source.response)
        facts += [] if source.active_sensing else ["active sensing not watched"]
        lines += wrapped("; ".join(facts), 4)
        pedalboard = loaded.pedalboards.get(source.name)
        if pedalboard is not None:
            inner = pedalboard_lines(pedalboard, rig.program_numbers_from, rig.middle_c_octave)
            for line in inner:
                lines += wrapped(line.strip(), 4 + len(line) - len(line.lstrip()))
    return lines


def _port(port: Input | Output) -> str:
    return f"the one port like {port.port}" if port.port_is_pattern else port.port


def _output(output: Output, rig: Rig) -> list[str]:
    converter = output.converter
    lines = wrapped(f"{output.name}: {_port(output)}, converter {converter.name}")
    for fact in converter_lines(converter, rig.middle_c_octave):
        lines += wrapped(fact, 4)
    voices = sum(voice.output == output.name for voice in rig.voices)
    if converter.bytes_per_second is not None and voices:
        whole_ms, spread_ms = unison_ms(voices, converter.bytes_per_second)
        lines += wrapped(
            f"a unison of its {counted(voices, 'voice')} takes {whole_ms:.2f} ms, "
            f"note-ons within {spread_ms:.2f} ms",
            4,
        )
    if output.pass_channels or output.pass_classes:
        numbers = [str(channel + 1) for channel in output.pass_channels]
        parts = [f"channel numbers {', '.join(numbers)}"] if numbers else []
        parts += [", ".join(output.pass_classes)] if output.pass_classes else []
        lines += wrapped(f"passes {'; '.join(parts)}", 4)
    for fact in extra_facts(rig.extra, output.name):
        lines += wrapped(fact, 4)
    if not output.panic_controllers:
        lines += wrapped("panic by single note-offs only", 4)
    return lines


# ---------------------------------------------------------------- voices


def _voice(voice: Voice, loaded: LoadedRig) -> list[str]:
    rig = loaded.rig
    zero = loaded.converters[voice.output].converter.zero_volt_note
    lines = wrapped(f"{voice.name}: {voice.output}, channel number {voice.channel + 1}")
    facts = []
    if voice.panel_octaves:
        octave = "octave" if abs(voice.panel_octaves) == 1 else "octaves"
        facts.append(f"panel {voice.panel_octaves:+d} {octave}")
    if voice.gate_ignored:
        facts.append("heard with the gate low: keep its level down until it is wanted")
    if voice.tail_s:
        facts.append(f"the wheel reaches it {voice.tail_s:g} s after the key")
    if voice.tuning_from is not None:
        facts.append(f"tuning from {voice.tuning_from}")
    facts += curve_facts(voice.response)
    recorded = loaded.listening.get(voice.name)
    if recorded is not None and recorded.input:
        struck = ", struck for each reading" if recorded.excite == "strike" else ""
        tap = ", before its VCA" if recorded.tap == "before_vca" else ""
        facts.append(f"measured on {recorded.input}{struck}{tap}")
    if facts:
        lines += wrapped("; ".join(facts), 4)
    for text in _profile(voice, loaded) + playable(voice, zero, rig.middle_c_octave):
        lines += wrapped(text, 4)
    return lines


def _profile(voice: Voice, loaded: LoadedRig) -> list[str]:
    profile = loaded.profiles.get(voice.name)
    if profile is None:
        return ["not measured: played raw"]
    kind = "oscillator alone" if profile.against == "volts" else "whole voice"
    table = ""
    if profile.against == "volts":
        has_table = voice.channel in loaded.converters[voice.output].volts
        table = ", joined with the converter's table" if has_table else ", converter taken as exact"
    date = f", {profile.measured}" if profile.measured else ""
    lines = [
        (
            f"profile of {profile.voice}{date}, {kind}{table}; "
            f"{counted(len(profile.readings), 'reading')}"
        )
    ]
    return lines + ([f"check it: {voice.stale}"] if voice.stale else [])


def playable(voice: Voice, zero_volt_note: int, middle_c_octave: int = 4) -> list[str]:
    """Return the written notes that a voice plays, their volts, and its unusable ranges."""
    chain = Chain(voice, PLAIN, Tonight())
    sent = {key: rest.commanded_cents for key in range(128) if (rest := chain.rest(key))}
    curve = voice.curve
    extrapolated = [key for key, x in sent.items() if curve is not None and curve.extrapolated(x)]
    lines = []
    for what, keys in (("plays", list(sent)), ("extrapolated", extrapolated)):
        for lowest, highest in runs(keys):
            ends = f"{named(lowest, middle_c_octave)} to {named(highest, middle_c_octave)}"
            volts = [pitch_to_volts(sent[key], zero_volt_note) for key in (lowest, highest)]
            lines.append(f"{what} {ends}, {volts[0]:+z.2f} to {volts[1]:+z.2f} V")
    if not sent:
        lines.append("plays no note: check its range, panel_octaves and profile")
    parts = [] if curve is None else curve.unusable
    low = 100.0 * voice.lowest_note - voice.bend_range_cents
    high = 100.0 * voice.highest_note + voice.bend_range_cents
    for part in parts:
        if part.highest_cents >= low and part.lowest_cents <= high:
            text = part.describe(zero_volt_note, middle_c_octave)
            sent_as = " (as sent)" if voice.panel_octaves else ""
            lines.append(f"unusable{sent_as}: {text}")
    return lines


def runs(keys: Iterable[int]) -> list[tuple[int, int]]:
    """Return the first and last key of each unbroken run.

    >>> runs([1, 2, 3, 7])
    [(1, 3), (7, 7)]
    """
    found: list[tuple[int, int]] = []
    for key in keys:
        if found and key == found[-1][1] + 1:
            found[-1] = (found[-1][0], key)
        else:
            found.append((key, key))
    return found

"""Describes the content of a file in lines of at most 80 columns, for ``zerobeat check``.

Notes are shown with their number, channels from 1 to 16, programs both as the
player counts them and as on the wire.
"""

from __future__ import annotations

import textwrap

from ..engine.pedals.bindings import Binding, Pedalboard
from ..engine.settings import PLAIN, Converter, Scene, Trigger, VoiceSettings, Zone
from ..text import counted
from ..tuning.bend import bend_to_cents
from ..tuning.scala import KeyboardMap
from ..tuning.scale import Scale
from ..tuning.units import name_of_note, pitch_to_hertz, pitch_to_volts, volts_to_pitch
from .converter_file import DIN_BYTES_PER_SECOND, ConverterFile
from .describe_expression import glide_text

WIDTH = 80

CHANGES = {
    "none": "at once",
    "note": "next note",
    "trigger": "next trigger",
    "sample": "sampled at the trigger",
}
ASSIGN_WORDS = {"unison": "in unison", "rotate": "in rotation"}
KIND_WORDS = {
    "trigger": "at each press",
    "momentary": "while it is down",
    "toggle": "on and off in turn",
    "latching": "at press and release",
    "follow": "as it moves",
}


def named(note: int, middle_c_octave: int = 4) -> str:
    """Return a note as ``C4 (60)``."""
    return f"{name_of_note(note, middle_c_octave)} ({note})"


def program(number: int | None, numbers_from: int = 1) -> str:
    """Return a program as ``program 5 (sent as 4)``."""
    return "no program" if number is None else f"program {number + numbers_from} (sent as {number})"


def terminal_safe(text: str) -> str:
    """Return text without control characters that a terminal might obey."""
    return "".join(c if c.isprintable() else "?" for c in text)


def wrapped(
    text: str, indent: int = 2, hanging: int | None = None, width: int = WIDTH
) -> list[str]:
    """Return text as lines of at most ``width`` columns."""
    return textwrap.wrap(
        terminal_safe(text),
        width,
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + 2 if hanging is None else hanging),
        break_on_hyphens=False,
        break_long_words=False,  # a path stays one word, to be copied
    )


# ---------------------------------------------------------------- converters


def unison_ms(voices: int, bytes_per_second: int) -> tuple[float, float]:
    """Return how long bends and note-ons of a unison take, and the spread of the note-ons.

    Each voice has a channel of its own, so running status saves nothing: a
    bend and a note-on are 6 bytes. Bends go first, then all note-ons, of
    which the last starts 3 bytes a voice after the first.
    """
    return 6000.0 * voices / bytes_per_second, 3000.0 * (voices - 1) / bytes_per_second


def converter_lines(converter: Converter, middle_c_octave: int = 4) -> list[str]:
    """Return the properties of a converter, one line each."""
    step = bend_to_cents(1, converter.bend_range_cents)
    sent = "range sent" if converter.sends_bend_range else "range fixed"
    lowest, highest = converter.lowest_note, converter.highest_note
    zero = converter.zero_volt_note
    volts = [pitch_to_volts(100.0 * note, zero) for note in (lowest, highest)]
    if converter.bytes_per_second is None:
        rate = "no limit to its bytes a second"
    else:
        din = " (din)" if converter.bytes_per_second == DIN_BYTES_PER_SECOND else ""
        rate = f"{converter.bytes_per_second} bytes a second{din}"
    low = "acts" if converter.bend_with_gate_low else "does not act"
    return [
        f"bend {converter.bend_range_cents:g} cents either side, {sent}; one step {step:.3f} cents",
        (
            f"notes {named(lowest, middle_c_octave)} to {named(highest, middle_c_octave)}, "
            f"{volts[0]:+z.2f} to {volts[1]:+z.2f} V; 0 V at {named(zero, middle_c_octave)}"
        ),
        (
            f"overlap {converter.overlap}; bend {low} with the gate low; "
            f"settles in {1000 * converter.settle_s:g} ms; "
            f"gate gap {1000 * converter.gate_gap_s:g} ms"
        ),
        f"{rate}; errors follow {converter.errors_follow}",
        *(["glides change the note on their way"] if converter.glide_across_notes else []),
    ]


def converter_file_lines(read: ConverterFile) -> list[str]:
    """Return the properties of a converter and its table of measured volts."""
    lines = [f"converter {read.converter.name}"]
    for fact in converter_lines(read.converter):
        lines += wrapped(fact)
    for channel, table in sorted(read.volts.items()):
        lines += ["", f"channel number {channel + 1}, by meter", "  note          volts  cents off"]
        for note, volts in table:
            off = volts_to_pitch(volts, read.converter.zero_volt_note) - 100.0 * note
            lines.append(f"  {named(note):<10} {volts:+z8.4f} {off:+z10.2f}")
    if not read.volts:
        lines += ["", "no measured volts: its outputs are taken as exact"]
    return lines


# ---------------------------------------------------------------- scales


def scale_lines(scale: Scale) -> list[str]:
    """Return the interval list of a scale (requirement B9)."""
    count = counted(len(scale.degrees_cents), "degree")
    lines = wrapped(f"scale {scale.name}", 0)
    lines += [f"{count}, repeating after {scale.period_cents:.6f} cents", ""]
    return lines + scale.describe()


def map_lines(keyboard_map: KeyboardMap, scale: Scale) -> list[str]:
    """Return what each key sounds under a keyboard map, at a concert A of 440 Hz."""
    lines = wrapped(f"keyboard map {keyboard_map.name} over the scale {scale.name}", 0)
    lines += ["", "  key            cents         hertz"]
    for key, pitch in enumerate(keyboard_map.pitches_cents):
        if pitch is None:
            lines.append(f"  {named(key):<10} silent")
        else:
            lines.append(f"  {named(key):<10} {pitch:10.3f} {pitch_to_hertz(pitch):13.4f}")
    return lines


# ---------------------------------------------------------------- scenes


def scene_lines(scene: Scene, numbers_from: int = 1, middle_c_octave: int = 4) -> list[str]:
    """Return the program, hold, zones and voice settings of a scene."""
    bank = "" if scene.bank is None else f", bank {scene.bank}"
    regate = ", gates open again at a trigger" if scene.regate else ""
    lines = wrapped(
        f"{scene.name}: {program(scene.program, numbers_from)}{bank}, "
        f"changes: {CHANGES[scene.hold]}{regate}",
        0,
    )
    for trigger in scene.triggers:
        lines += wrapped(f"trigger: {_trigger(trigger, scene, middle_c_octave)}")
    usual = Scene()
    near = [
        f"{name.removesuffix('_ms').replace('_', ' ')} {getattr(scene, name):g} ms"
        for name in ("early_ms", "late_ms", "sample_delay_ms")
        if getattr(scene, name) != getattr(usual, name)
    ]
    if near:
        lines += wrapped(f"near the clock: {', '.join(near)}")
    if scene.clock_lost == "key":
        lines += wrapped("while the clock is lost: a key is the trigger")
    if not scene.zones:
        lines += wrapped("keys: all voices in unison")
    for zone in scene.zones:
        lines += wrapped(f"keys {_zone(zone, middle_c_octave)}")
    groups: dict[str, list[str]] = {}
    for voice, settings in scene.voices.items():
        groups.setdefault(settings_text(settings, middle_c_octave), []).append(voice)
    for text, voices in groups.items():
        lines += wrapped(f"{', '.join(voices)}: {text}")
    return lines


def _trigger(trigger: Trigger, scene: Scene, middle_c_octave: int) -> str:
    if trigger.kind == "key":
        return "any key"
    if trigger.kind == "clock":
        signature = f"{scene.beats_in_bar}/{scene.beat_unit}"
        every = f"{trigger.every} {trigger.unit}"
        if isinstance(trigger.every, int):
            every = counted(trigger.every, trigger.unit)
        return f"clock, every {every}, {signature}"
    channel = "any channel" if trigger.channel is None else f"channel number {trigger.channel + 1}"
    note = "any note" if trigger.note is None else f"note {named(trigger.note, middle_c_octave)}"
    return f"{note} from {trigger.input}, {channel}"


def _zone(zone: Zone, middle_c_octave: int) -> str:
    keys = (
        f"{named(zone.lowest_key, middle_c_octave)} to {named(zone.highest_key, middle_c_octave)}"
    )
    source = f" of {', '.join(zone.inputs)}" if zone.inputs else ""
    numbers = ", ".join(str(channel + 1) for channel in zone.channels)
    channels = f", channel numbers {numbers}" if numbers else ""
    return f"{keys}{source}{channels}: {', '.join(zone.voices)} {ASSIGN_WORDS[zone.assign]}"


def settings_text(settings: VoiceSettings, middle_c_octave: int = 4) -> str:
    """Return the settings of a voice that differ from the defaults, as one sentence."""
    parts = [_scale_text(settings, middle_c_octave)]
    for name, unit in (("degrees", "degree"), ("octaves", "octave"), ("semitones", "semitone")):
        value = getattr(settings, name)
        if value:
            parts.append(f"{value:+d} {unit}{'' if abs(value) == 1 else 's'}")
    if settings.detune_cents:
        parts.append(f"detune {settings.detune_cents:+g} cents")
    if settings.detune_beats_hz:
        limit = f"at most {settings.detune_limit_cents:g} cents"
        parts.append(f"detune {settings.detune_beats_hz:+g} beats a second, {limit}")
    if settings.wheel != PLAIN.wheel:
        parts.append(f"wheel {settings.wheel}")
    if settings.priority != PLAIN.priority:
        parts.append(f"{settings.priority} key first")
    if settings.legato:
        parts.append("legato")
    if settings.glide_ms:
        parts.append(glide_text(settings))
    if settings.hold is not None:
        parts.append(f"changes: {CHANGES[settings.hold]}")
    if settings.start_key is not None:
        parts.append(f"starts on {named(settings.start_key, middle_c_octave)}")
    return "; ".join(parts)


def _scale_text(settings: VoiceSettings, middle_c_octave: int) -> str:
    if settings.keyboard_map is not None and settings.scale is not None:
        return f"{settings.scale.name} over the keyboard map {settings.keyboard_map.name}"
    if settings.scale is None:
        return "continuous"
    fit = "each key is the next degree" if settings.fit == "keys" else f"snap {settings.snap}"
    return f"{settings.scale.name} on {named(settings.root, middle_c_octave)}, {fit}"


# ---------------------------------------------------------------- pedalboards


def pedalboard_lines(
    pedalboard: Pedalboard, numbers_from: int = 1, middle_c_octave: int = 4
) -> list[str]:
    """Return one line a binding."""
    lines = wrapped(f"pedalboard {pedalboard.name}", 0)
    for binding in pedalboard.bindings:
        lines += wrapped(binding_text(binding, numbers_from, middle_c_octave))
    return lines


def binding_text(binding: Binding, numbers_from: int = 1, middle_c_octave: int = 4) -> str:
    """Return what a switch sends and what it does, as one line."""
    if binding.source == "program":
        sent = "any program" if binding.number is None else program(binding.number, numbers_from)
    elif binding.source == "note":
        sent = f"note {named(binding.number or 0, middle_c_octave)}"
    else:
        sent = f"controller {binding.number}"
    channel = "any channel" if binding.channel is None else f"channel number {binding.channel + 1}"
    what = [binding.action, binding.scene or "", binding.hold or "", binding.setting or ""]
    unit = "" if binding.unit == "semitones" else f" {binding.unit}"
    if binding.kind == "follow":
        what.append(f"{binding.lowest:g} to {binding.highest:g}")
    if binding.to is not None:
        what.append(f"to {binding.to:g}{unit}")
    if binding.by is not None:
        what.append(f"by {binding.by:+g}{unit}")
    what.append(f"of {binding.voice}" if binding.voice else "")
    press = f", pressed {binding.long_press_s:g} s" if binding.long_press_s else ""
    light = ", with a light" if binding.feedback else ""
    does = " ".join(part for part in what if part)
    return f"{sent}, {channel}: {does} ({KIND_WORDS[binding.kind]}{press}{light})"

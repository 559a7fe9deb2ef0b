"""Converter files: the properties of a MIDI-to-CV interface, and its measured volts."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field, replace
from pathlib import Path

from ..engine.limits import BEND_RANGE_SEMITONES
from ..engine.settings import Converter
from ..errors import TrackingError
from ..tuning.tracking import Reading, TrackingCurve
from ..tuning.units import volts_to_pitch
from .extra_field import read_sockets
from .faults import Faults
from .fields import Section, found, read_note, read_number, read_whole
from .yaml_source import Scalar, Table, read_yaml

DIN_BYTES_PER_SECOND = 3125  # 31,250 baud, ten bits a byte
METER_SIGMA_CENTS = 0.1  # a tenth of a millivolt is 0.12 cents

VoltsByNote = tuple[tuple[int, float], ...]  # rising by note


@dataclass(frozen=True, slots=True)
class ConverterFile:
    """A converter and what a meter read at its outputs.

    ``volts`` has, by channel 0 to 15, pairs of note and volts, rising by note.
    """

    converter: Converter = Converter()
    volts: dict[int, VoltsByNote] = field(default_factory=dict)

    def note_errors_cents(self, channel: int) -> tuple[float, ...] | None:
        """Return the error of each note 0 to 127, sharp positive; None without a table.

        Notes between two measured ones get the line between them, notes
        beyond the outermost their error: an own choice, no source.
        """
        table = self.volts.get(channel)
        if not table:
            return None
        zero = self.converter.zero_volt_note
        notes = [note for note, _ in table]
        errors = [volts_to_pitch(volts, zero) - 100.0 * note for note, volts in table]
        return tuple(line_through(notes, errors, note) for note in range(128))

    def curve(self, channel: int) -> TrackingCurve | None:
        """Return commanded pitch against the pitch of the volts; None without a table.

        Raises:
            TrackingError: volts that do not rise with the note.
        """
        table = self.volts.get(channel)
        if not table:
            return None
        zero = self.converter.zero_volt_note
        readings = [
            Reading(100.0 * note, volts_to_pitch(volts, zero) - 100.0 * note, METER_SIGMA_CENTS)
            for note, volts in table
        ]
        return TrackingCurve.from_readings(
            readings, bend_range_cents=self.converter.bend_range_cents
        )


def line_through(notes: list[int], errors: list[float], note: int) -> float:
    """Return the error at a note: linear between known notes, constant beyond the outermost."""
    index = bisect_left(notes, note)
    if index == len(notes):
        return errors[-1]
    if index == 0 or notes[index] == note:
        return errors[index]
    share = (note - notes[index - 1]) / (notes[index] - notes[index - 1])
    return errors[index - 1] + share * (errors[index] - errors[index - 1])


def load_converter(path: Path, middle_c_octave: int = 4) -> ConverterFile:
    """Return the converter of a file.

    Raises:
        ConfigError: all faults of the file.
    """
    faults = Faults()
    table = read_yaml(path, faults)
    read = ConverterFile()
    if table is not None:
        read = read_converter(Section(table, faults, middle_c_octave), path.stem)
    faults.raise_any()
    return read


def read_converter(
    section: Section, name: str, base: ConverterFile | None = None, extra_keys: tuple[str, ...] = ()
) -> ConverterFile:
    """Return the converter of a section; keys that are left out are as in ``base``.

    Args:
        section: the file, or the mapping under ``converter`` in a rig.
        name: of a converter without a title.
        base: the file that a rig's mapping builds on.
        extra_keys: keys that the caller reads itself.
    """
    base = base or ConverterFile(Converter(name=name))
    was = base.converter
    section.asked += extra_keys
    sent = section.choice(
        "bend_range", "sent" if was.sends_bend_range else "fixed", ("sent", "fixed")
    )
    semitones = section.number(
        "bend_range_semitones", was.bend_range_cents / 100.0, *BEND_RANGE_SEMITONES
    )
    converter = Converter(
        name=section.text("title", was.name),
        bend_range_cents=semitones * 100.0,
        sends_bend_range=sent == "sent",
        zero_volt_note=section.note("zero_volt_note", was.zero_volt_note),
        lowest_note=section.note("lowest_note", was.lowest_note),
        highest_note=section.note("highest_note", was.highest_note),
        overlap=section.choice("overlap", was.overlap, ("legato", "retriggers", "unsafe")),
        bend_with_gate_low=section.flag("bend_with_gate_low", was.bend_with_gate_low),
        settle_s=section.number("settle_ms", was.settle_s * 1000.0, 0.0, 100.0) / 1000.0,
        gate_gap_s=section.number("gate_gap_ms", was.gate_gap_s * 1000.0, 0.0, 100.0) / 1000.0,
        bytes_per_second=_bytes_per_second(section, was.bytes_per_second),
        errors_follow=section.choice("errors_follow", was.errors_follow, ("volts", "number")),
        extra=read_sockets(section, was.extra),
        glide_across_notes=section.flag("glide_across_notes", was.glide_across_notes),
    )
    if converter.glide_across_notes and converter.overlap != "legato":
        section.faults.add(
            section.at("glide_across_notes"),
            f"found it with overlap {converter.overlap}; allowed: with overlap legato",
        )
    converter = _with_range(section, converter)
    volts = {**base.volts, **_channels(section)}
    section.close()
    read = ConverterFile(converter, volts)
    _check_volts(section, read)
    return read


def _with_range(section: Section, converter: Converter) -> Converter:
    """Return the converter; if its lowest note is above its highest, add a fault and allow all."""
    if converter.lowest_note <= converter.highest_note:
        return converter
    section.faults.add(
        section.at("highest_note"),
        f"found {converter.highest_note}; allowed: lowest_note ({converter.lowest_note}) or above",
    )
    return replace(converter, lowest_note=0, highest_note=127)


def _bytes_per_second(section: Section, default: int | None) -> int | None:
    node = section.node("bytes_per_second")
    if node is None:
        return default
    if isinstance(node, Scalar) and node.text in ("din", "usb"):
        return DIN_BYTES_PER_SECOND if node.text == "din" else None
    if isinstance(node, Scalar) and node.plain and node.text.isdigit():
        return read_whole(node, section.faults, default, 100, 10_000_000)
    allowed = "din (3125), usb (no limit) or a whole number, 100 to 10000000"
    section.faults.add(node.place, f"found {found(node)}; allowed: {allowed}")
    return default


def _channels(section: Section) -> dict[int, VoltsByNote]:
    holder = section.section("channels")
    if holder is None:
        return {}
    read: dict[int, VoltsByNote] = {}
    for text, node in holder.table.entries.items():
        number = int(text) if text.isdecimal() and len(text) <= 2 and text.isascii() else 0
        if not 1 <= number <= 16 or text != str(number):
            section.faults.add(node.place, f"found {text}; allowed: a channel number, 1 to 16")
        elif isinstance(node, Table):
            read[number - 1] = _volts(node, section)
        else:
            section.faults.add(node.place, f"found {found(node)}; allowed: note: volts, one a line")
    return read


def _volts(table: Table, section: Section) -> VoltsByNote:
    volts: dict[int, float] = {}
    for text, node in table.entries.items():
        key = Scalar(node.place, text, True)
        note = read_note(key, section.faults, None, section.middle_c_octave)
        value = read_number(node, section.faults, None, -15.0, 15.0)
        if note is None or value is None:
            continue
        if note in volts:
            section.faults.add(node.place, f"found note {note} a second time; allowed: once")
        volts[note] = value
    return tuple(sorted(volts.items()))


def _check_volts(section: Section, read: ConverterFile) -> None:
    for channel in read.volts:
        try:
            read.curve(channel)
        except TrackingError as error:
            place = section.at("channels")
            section.faults.add(place, f"channel number {channel + 1}: {error}")

"""Turns a meter's readings of a converter into the table for its file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from ..config.converter_file import ConverterFile
from ..config.describe import wrapped
from ..config.rig import LoadedRig
from ..errors import CommandError, MeasureError, one_of
from ..tuning.units import name_of_note, volts_to_pitch
from .readings_file import TypedVolts, parse_volts, read_text_file, write_text_file

SLIP_CENTS = 60.0  # a reading this far from the line through the others is a typing error
LEAST_METER_NOTES = 3


def run_volts(path: Path, output: str, loaded: LoadedRig, out: Path | None) -> int:
    """Read a meter's table, print a summary, and print or write it as YAML.

    Raises:
        CommandError: no such converter in the rig.
        ConfigError, MeasureError: a bad line, or a reading that must be a typing error.
    """
    if output not in loaded.converters:
        names = one_of(output, loaded.converters)
        raise CommandError(f"found no converter {output}; allowed with --volts: {names}")
    converter_file = loaded.converters[output]
    middle = loaded.rig.middle_c_octave
    rows = parse_volts(read_text_file(path), str(path), middle)
    for channel in sorted({row.channel for row in rows}):
        own = [row for row in rows if row.channel == channel]
        print(
            "\n".join(wrapped(_channel_summary(channel, own, converter_file, str(path), middle), 0))
        )
    table = yaml_of(rows)
    if out is None:
        print(f"\nPut this into the file of {output}, in place of its channels:\n")
        print(table, end="")
    else:
        write_text_file(out, table)
        print(f"written to {out}: put it into the file of {output}, in place of its channels")
    return 0


def yaml_of(rows: Sequence[TypedVolts]) -> str:
    """Return the ``channels`` of a converter file."""
    lines = ["channels:"]
    for channel in sorted({row.channel for row in rows}):
        lines.append(f"  {channel + 1}:")
        own = sorted((row for row in rows if row.channel == channel), key=lambda row: row.note)
        lines += [f"    {row.note}: {row.volts:g}" for row in own]
    return "\n".join(lines) + "\n"


def _channel_summary(
    channel: int, rows: Sequence[TypedVolts], converter_file: ConverterFile, file: str, middle: int
) -> str:
    """Return offset, slope and residual of a channel; refuse a reading far off the line."""
    zero = converter_file.converter.zero_volt_note
    if len(rows) < LEAST_METER_NOTES:
        raise MeasureError(
            f"{file}: channel number {channel + 1}: found {len(rows)} notes; needed: "
            f"{LEAST_METER_NOTES} or more"
        )
    octaves = np.array([(row.note - zero) / 12.0 for row in rows])
    errors = np.array([volts_to_pitch(row.volts, zero) - 100.0 * row.note for row in rows])
    slope, offset = _robust_line(octaves, errors)
    left = errors - offset - slope * octaves
    worst = int(np.argmax(np.abs(left)))
    if abs(left[worst]) > SLIP_CENTS:
        row = rows[worst]
        expected = row.volts - left[worst] / 1200.0
        raise MeasureError(
            f"{file}:{row.line}: note {name_of_note(row.note, middle)}: found {row.volts:g} V "
            f"where the others expect {expected:.4f}; check it"
        )
    rest = np.delete(left, worst) if len(left) > LEAST_METER_NOTES else left
    return (
        f"channel number {channel + 1}: {len(rows)} notes, {offset / 1.2:+z.2f} mV at 0 V, "
        f"{slope:+z.2f} cents an octave, single notes up to {np.abs(left).max():.2f} cents "
        f"off that line ({np.sqrt(np.mean(rest**2)):.2f} rms)"
    )


def _robust_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Return slope and intercept: medians of all pairs (Theil 1950, Sen 1968)."""
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] - x[i]
    used = apart != 0.0
    slope = float(np.median((y[j] - y[i])[used] / apart[used])) if used.any() else 0.0
    return slope, float(np.median(y - slope * x))

"""``zerobeat ports``: lists MIDI ports and audio inputs by the names a rig uses."""

from __future__ import annotations

import argparse
import contextlib
import math
from collections.abc import Sequence
from itertools import groupby

from ..client.borrow_inputs import borrow_inputs
from ..client.daemon_client import Client
from ..errors import AudioError, CommandError, ControlError
from ..ports.patch import choose_backend, list_ports
from ..ports.port_name import PortName
from ..text import printable

LEVEL_LOOK_S = 0.5
SILENT_PEAK = 1e-4  # -80 dBFS


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat ports\n"
        "  zerobeat ports --levels     which channel of the sound card is which\n\n"
        "Copy a name, quotes included, behind `port:` in rig.yaml. Numbers that change\n"
        "from boot to boot are left out; two devices of one name show what tells them\n"
        "apart in square brackets."
    )
    parser.add_argument(
        "--backend",
        choices=("auto", "alsa", "jack"),
        default="auto",
        help="MIDI system (default: ALSA's sequencer where there is one, else JACK)",
    )
    parser.add_argument(
        "--levels",
        action="store_true",
        help=f"listen to each audio input for {LEVEL_LOOK_S:g} s and show the level of "
        "each channel",
    )


def run(args: argparse.Namespace) -> int:
    backend = choose_backend(args.backend)
    ports = list_ports(backend)
    system = "ALSA sequencer" if backend == "alsa" else "JACK"
    for direction, title in (("in", "inputs (keyboards, pedals)"), ("out", "outputs (converters)")):
        print(f"{title}, on {system}:")
        names = [port for port in ports if port.direction == direction]
        for port in sorted(names, key=lambda port: port.text):
            print(f'  "{printable(port.text + _identity(port, names))}"')
        if not names:
            print("  none; plug one in and look again")
    if args.levels:
        print("\n".join(audio_lines()))
    else:
        print("audio inputs, for measuring: zerobeat ports --levels")
    return 0


def audio_lines() -> list[str]:
    """Return audio inputs with the level of each channel, measured for a moment (A2)."""
    from ..measure.audio.devices import list_devices, name_in_rig

    lines = ["audio inputs (dBFS rms, then peak, of each channel number):"]
    try:
        with contextlib.ExitStack() as lent:
            with contextlib.suppress(ControlError, CommandError):
                borrow_inputs(lent.enter_context(Client(role="measure")))
            devices = list_devices(LEVEL_LOOK_S)
    except AudioError as error:
        return [*lines, f"  {error}"]
    for device in devices:
        name = name_in_rig(device, devices)
        if device.used_by:
            lines.append(f'  "{name}", in use by {printable(device.used_by)}')
            continue
        lines.append(f'  "{name}", {device.rate_hz:g} Hz')
        if device.levels is None:
            lines.append("    can't be opened: busy, or not allowed")
        lines += _channel_lines(device.levels or ())
    if not devices:
        lines.append("  none; plug one in and look again")
    return lines


def _channel_lines(levels: Sequence[tuple[float, float]]) -> list[str]:
    """Return a line a channel; neighbours that are all silent share one."""
    lines = []
    for silent, run in groupby(enumerate(levels, 1), lambda one: one[1][1] < SILENT_PEAK):
        channels = list(run)
        first, last = channels[0][0], channels[-1][0]
        if silent and first < last:
            lines.append(f"    {first:>3} to {last} silent")
        elif silent:
            lines.append(f"    {first:>3} silent")
        else:
            lines += [f"    {number:>3} {_level(rms, peak)}" for number, (rms, peak) in channels]
    return lines


def _level(rms: float, peak: float) -> str:
    """Return a level in words, and as a bar of at most 30 signs."""
    rms_db, peak_db = (20.0 * math.log10(max(value, 1e-6)) for value in (rms, peak))
    word = (
        "OVERLOAD: turn its level down"
        if peak >= 0.999
        else ("good" if rms_db > -50.0 else "low: turn its level up")
    )
    bar = "#" * max(1, round((60.0 + min(rms_db, 0.0)) / 2.0))
    return f"{rms_db:+z4.0f} {peak_db:+z4.0f}  {word:<22} {bar}"


def _identity(port: PortName, ports: list[PortName]) -> str:
    """Return what distinguishes a port from others of its name, as a rig writes it."""
    same = [other for other in ports if other.text == port.text]
    if len(same) < 2:
        return ""
    for word in port.identity:
        if sum(word in other.identity for other in same) == 1:
            return f" [{word}]"
    return "  <- nothing tells these apart"

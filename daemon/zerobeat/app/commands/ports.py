"""``zerobeat ports``: MIDI ports by the names a rig uses."""

from __future__ import annotations

import argparse
import time

from ...ports.patch import PortName, choose_backend, open_patch


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat ports\n\n"
        "Copy a name, quotes included, behind `port:` in rig.yaml. Numbers that change\n"
        "from boot to boot are left out; two devices of one name show what tells them\n"
        "apart in square brackets."
    )
    parser.add_argument(
        "--backend", choices=("auto", "alsa", "jack"), default="auto",
        help="MIDI system (default: ALSA's sequencer where there is one, else JACK)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    backend = choose_backend(args.backend)
    patch = open_patch(backend)
    try:
        time.sleep(0.05)  # JACK tells its ports from its next period on
        ports = [port for port in patch.ports() if not port.own]
    finally:
        patch.close()
    system = "ALSA sequencer" if backend == "alsa" else "JACK"
    for direction, title in (("in", "inputs (keyboards, pedals)"), ("out", "outputs (converters)")):
        print(f"{title}, on {system}:")
        names = [port for port in ports if port.direction == direction]
        for port in sorted(names, key=lambda port: port.text):
            print(f'  "{port.text}{_identity(port, names)}"')
        if not names:
            print("  none; plug one in and look again")
    return 0


def _identity(port: PortName, ports: list[PortName]) -> str:
    """Return what tells a port from another of its name, as a rig writes it."""
    same = [other for other in ports if other.text == port.text]
    if len(same) < 2:
        return ""
    for word in port.identity:
        if sum(word in other.identity for other in same) == 1:
            return f" [{word}]"
    return "  <- nothing tells these apart"

"""``zerobeat voices``: the voices of the rig, and what is known of each."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..client.ask_daemon import add_socket
from ..client.what_plays import status_if_any
from ..console.cells import fit


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat voices\n\n"
        "Of the zerobeat that plays; where none does, of the rig (zerobeat check has all of it).",
    )
    parser.add_argument(
        "rig", nargs="?", type=Path, default=Path("rig.yaml"), help="default: rig.yaml"
    )
    parser.add_argument("--names", action="store_true", help="print names alone, for completion")


def run(args: argparse.Namespace) -> int:
    shown = status_if_any(args.socket)
    rows = _of_rig(args.rig) if shown is None else [_row(voice) for voice in shown["voices"]]
    if args.names:
        print("\n".join(name for name, *_ in rows))
        return 0
    for name, output, channel_number, measured in rows:
        state = "measured" if measured else "not measured: played raw"
        print(f"{fit(name, 12)} {fit(output, 10)} channel number {channel_number:<3} {state}")
    return 0


def _row(voice: dict[str, object]) -> tuple[str, str, int, bool]:
    number = int(str(voice["channel_number"]))
    return str(voice["name"]), str(voice["output"]), number, bool(voice["measured"])


def _of_rig(path: Path) -> list[tuple[str, str, int, bool]]:
    from ..state.state_directory import load_rig

    return [
        (voice.name, voice.output, voice.channel + 1, voice.curve is not None)
        for voice in load_rig(path).rig.voices
    ]

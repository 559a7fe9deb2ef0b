"""``zerobeat scales``: the built-in scales, and the tuning that a voice plays, as files."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from ..client.ask_daemon import add_socket
from ..client.daemon_client import Client
from ..config.describe import scale_lines, wrapped
from ..errors import CommandError, ScaleError, StoreError
from ..tuning.scala_out import scala_files
from ..tuning.scale import PRESETS, preset
from .output_file import add_force, refuse_existing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat scales\n"
        "         zerobeat scales dorian\n"
        "         zerobeat scales 19 equal\n"
        "         zerobeat scales --save church-organ\n"
        "         zerobeat scales --save church-organ --voice reed --folder .\n\n"
        "--save keeps what tuning messages have sent (tuning_from in the rig), or the keyboard\n"
        "map of a voice, as NAME.scl and NAME.kbm in scales/ beside the rig that plays.",
    )
    parser.add_argument("name", nargs="*", help="a scale, or '19 equal' and the like")
    parser.add_argument("--names", action="store_true", help="print names alone, for completion")
    parser.add_argument("--save", metavar="NAME", help="of the two files, without a suffix")
    parser.add_argument("--voice", help="whose tuning; default: the first that has one")
    parser.add_argument("--folder", type=Path, help="where to; default: scales/ beside the rig")
    add_force(parser)


def run(args: argparse.Namespace) -> int:
    if args.save is None:
        print("\n".join(_lines(" ".join(args.name), args.names)))
        return 0
    name = args.save
    if not name or not name.isprintable() or name[0] == "." or "/" in name:
        raise CommandError(
            f"--save: found {name!r}; allowed: a file's name without a folder and a suffix"
        )
    with Client(args.socket) as client:
        asked = {} if args.voice is None else {"voice": args.voice}
        tuning = client.ask("tuning", **asked)["tuning"]
        folder = args.folder or Path(client.status()["rig"]).parent / "scales"
    files = [folder / f"{name}.scl", folder / f"{name}.kbm"]
    refuse_existing(files, args.force)
    texts = scala_files(name, tuning["pitches_cents"])
    try:
        folder.mkdir(exist_ok=True)
        for path, text in zip(files, texts, strict=True):
            part = path.with_name(path.name + ".part")
            part.write_text(text, encoding="utf-8")
            os.replace(part, path)
    except OSError as error:
        raise StoreError(f"{folder}: can't be written: {error.strerror}") from None
    print(f"{tuning['voice']}: {tuning['name']}, as {files[0]} and {files[1].name}")
    print(f"scale: {{file: {files[0].name}, keyboard_map: {files[1].name}}}")
    return 0


def _lines(name: str, names_alone: bool) -> list[str]:
    """Return the intervals of a scale, or all scales."""
    if name:
        try:
            return scale_lines(preset(name))
        except ScaleError as error:
            raise CommandError(str(error)) from None
    if names_alone:
        return sorted(PRESETS)
    lines = [line for one in sorted(PRESETS) for line in wrapped(f"{one}: {_steps(one)}", 0)]
    return [
        "cents above the root; the last is the period",
        "",
        *lines,
        "",
        "'19 equal' and '13 equal of 1901.955 cents' divide any period in equal steps",
    ]


def _steps(name: str) -> str:
    scale = preset(name)
    cents = (*scale.degrees_cents, scale.period_cents)
    return ", ".join(f"{round(one, 1) + 0.0:g}" for one in cents)

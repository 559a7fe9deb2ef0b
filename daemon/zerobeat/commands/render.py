"""``zerobeat render``: renders a MIDI file through the engine into a MIDI file."""

from __future__ import annotations

import argparse
import os
from dataclasses import replace
from pathlib import Path

from ..errors import CommandError, MidiFileError, one_of
from ..render.midi_file import render
from ..state.state_directory import load_rig
from ..text import counted
from .output_file import add_force, refuse_existing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat render --rig rig.yaml --scene drone song.mid corrected.mid\n\n"
        "OUT has a track for each converter, named after it; the tempo map is kept."
    )
    parser.add_argument("--rig", default="rig.yaml", type=Path, help="the rig (default: rig.yaml)")
    parser.add_argument("--scene", help="scene to play (default: the rig's)")
    parser.add_argument("--input", help="input the file is played into (default: the first)")
    add_force(parser)
    parser.add_argument("source", metavar="IN.mid", type=Path, help="the MIDI file to play")
    parser.add_argument("target", metavar="OUT.mid", type=Path, help="the MIDI file to write")


def run(args: argparse.Namespace) -> int:
    loaded = load_rig(args.rig)
    if args.scene is not None:
        names = [scene.name for scene in loaded.scenes]
        if args.scene not in names:
            raise CommandError(
                f"scene: found {args.scene!r}; allowed: {one_of(args.scene, names) or 'none'}"
            )
        loaded = replace(loaded, rig=replace(loaded.rig, start_scene=args.scene))
    if args.target.exists() and args.source.exists() and os.path.samefile(args.source, args.target):
        raise MidiFileError(f"{args.target}: is the file to be read; name another")
    refuse_existing([args.target], args.force)
    for warning in loaded.warnings:
        print(warning)
    count = render(loaded, args.source, args.target, args.input)
    print(f"{args.target}: {count} messages for {counted(len(loaded.rig.outputs), 'converter')}")
    return 0

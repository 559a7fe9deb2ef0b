"""``zerobeat run``: the daemon in the foreground."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from ...config.rig import load_rig
from ...errors import CommandError
from ..runner import Runner


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat run rig.yaml\n\n"
        "Stop with Ctrl-C: every note is released first. Without a terminal, SIGHUP\n"
        "reads the files again; a broken file changes nothing."
    )
    parser.add_argument(
        "rig", nargs="?", default="rig.yaml", type=Path, help="the rig (default: rig.yaml)"
    )
    parser.add_argument("--scene", help="scene to start with (default: the rig's)")
    parser.add_argument(
        "--backend", choices=("auto", "alsa", "jack"), default="auto",
        help="MIDI system (default: ALSA's sequencer where there is one, else JACK)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    loaded = load_rig(args.rig)
    if args.scene is not None:
        names = [scene.name for scene in loaded.scenes]
        if args.scene not in names:
            raise CommandError(f"scene: found {args.scene!r}; allowed: {', '.join(names)}")
        loaded = replace(loaded, rig=replace(loaded.rig, start_scene=args.scene))
    runner = Runner(args.rig, loaded, args.backend)
    for warning in loaded.warnings:
        print(warning, flush=True)
    return runner.run()

"""``zerobeat run``: the daemon in the foreground."""

from __future__ import annotations

import argparse
from pathlib import Path

from ...config.find import state_directory
from ...config.rig import load_rig
from ...errors import CommandError
from ..remembering import State, come_back
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
    parser.add_argument("--scene", help="scene to start with (default: the last one, else the rig's)")
    parser.add_argument(
        "--backend", choices=("auto", "alsa", "jack"), default="auto",
        help="MIDI system (default: ALSA's sequencer where there is one, else JACK)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    state = State(state_directory())
    loaded = load_rig(args.rig)
    if args.scene is not None:
        names = [scene.name for scene in loaded.scenes]
        if args.scene not in names:
            raise CommandError(f"scene: found {args.scene!r}; allowed: {', '.join(names)}")
    evening = come_back(state, loaded, args.scene)
    runner = Runner(args.rig, loaded, evening, args.backend)
    for line in (*state.lines, *loaded.warnings, *evening.lines):
        print(line, flush=True)
    return runner.run()

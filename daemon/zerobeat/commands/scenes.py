"""``zerobeat scenes``: the scenes that can be recalled."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..client.ask_daemon import add_socket
from ..client.what_plays import status_if_any
from ..config.describe import program
from ..config.file_lookup import SHIPPED
from ..engine.settings import Scene
from ..text import printable


def add_arguments(parser: argparse.ArgumentParser) -> None:
    add_socket(
        parser,
        "zerobeat scenes\n\n"
        "Of the zerobeat that plays; where none does, of the rig. * plays, ? waits.",
    )
    parser.add_argument(
        "rig", nargs="?", type=Path, default=Path("rig.yaml"), help="default: rig.yaml"
    )
    parser.add_argument("--names", action="store_true", help="print titles alone, for completion")


def run(args: argparse.Namespace) -> int:
    shown = status_if_any(args.socket)
    if shown is not None:
        waits = shown.get("waits") or {}
        marks = {shown.get("scene"): "*", waits.get("name"): "?"}
        known = [str(title) for title in shown.get("scenes", ())]
        titles = [printable(title) for title in known]
        lines = [f"{marks.get(title, ' ')} {printable(title)}" for title in known]
    else:
        scenes, first = _of_rig(args.rig)
        titles = [printable(scene.name) for scene in scenes]
        lines = [
            f"  {title:<20} {program(scene.program, first)}"
            for title, scene in zip(titles, scenes, strict=True)
        ]
    if args.names:
        print("\n".join(titles))
        return 0
    print("\n".join(lines) or "none: all voices in unison, pitch left alone")
    shipped = ", ".join(sorted(path.stem for path in (SHIPPED / "scenes").glob("*.yaml")))
    print(f"\nwith zerobeat come: {shipped} (zerobeat check shows one)")
    return 0


def _of_rig(path: Path) -> tuple[tuple[Scene, ...], int]:
    from ..state.state_directory import load_rig

    loaded = load_rig(path)
    return loaded.scenes, loaded.rig.program_numbers_from

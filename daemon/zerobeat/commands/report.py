"""``zerobeat report``: writes an HTML page with tables and pictures of profiles."""

from __future__ import annotations

import argparse
from pathlib import Path

from .output_file import add_force, refuse_existing


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat report\n"
        "  zerobeat report reed bass --out reed-and-bass.html\n\n"
        "The page loads nothing from anywhere and may be sent to anyone."
    )
    parser.add_argument("voices", nargs="*", metavar="VOICE", help="default: all with a profile")
    parser.add_argument("--rig", type=Path, default=Path("rig.yaml"), help="default: rig.yaml")
    parser.add_argument(
        "--out", type=Path, default=Path("report.html"), metavar="FILE", help="default: report.html"
    )
    add_force(parser)


def run(args: argparse.Namespace) -> int:
    from ..calibration.measurement import find_voice
    from ..calibration.readings_file import write_text_file
    from ..follow.kept_drift import nights_of
    from ..report.page import report_page
    from ..state.state_directory import load_rig

    refuse_existing([args.out], args.force)
    loaded = load_rig(args.rig)
    for name in args.voices:
        find_voice(loaded, name)
    names = args.voices or [voice.name for voice in loaded.rig.voices]
    write_text_file(args.out, report_page(loaded, names, nights=nights_of(str(args.rig.resolve()))))
    print(f"written to {args.out}: open it in any browser")
    return 0

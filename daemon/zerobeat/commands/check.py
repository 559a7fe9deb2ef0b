"""``zerobeat check``: shows the faults of a file, or its content."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..config import describe, describe_rig
from ..config.converter_file import load_converter
from ..config.describe_profile import Known, profile_lines
from ..config.faults import Faults
from ..config.kinds import kind_of_file
from ..config.pedalboard_file import load_pedalboard
from ..config.profile_file import Profile, load_profile
from ..config.scene_file import load_scene
from ..config.yaml_source import read_bytes
from ..console.terminal import ascii_only
from ..engine.settings import Converter
from ..errors import ConfigError, ScaleError
from ..state.state_directory import load_rig, own_store
from ..tuning.scala import parse_kbm, parse_scl
from ..tuning.scale import Scale, preset


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat check rig.yaml\n"
        "  zerobeat check scenes/drone.yaml\n"
        "  zerobeat check white-keys.kbm --scale pure-major.scl\n\n"
        "The file is a rig, scene, converter, profile, pedalboard, .scl or .kbm.\n"
        "Exit status: 0 without faults, 78 with."
    )
    parser.add_argument(
        "file", nargs="?", default="rig.yaml", type=Path, help="file to check (default: rig.yaml)"
    )
    parser.add_argument(
        "--scale", metavar="NAME-OR-FILE", help="scale that a .kbm file maps (default: 12 equal)"
    )


def run(args: argparse.Namespace) -> int:
    faults = Faults()
    kind = kind_of_file(args.file, faults)
    faults.raise_any()
    print("\n".join(_lines(kind or "", args.file, args.scale)))
    return 0


def _lines(kind: str, path: Path, scale: str | None) -> list[str]:
    what = f".{kind}" if kind in ("scl", "kbm") else kind
    head = [f"{path}: {what} file without faults", ""]
    if kind == "rig":
        return head + describe_rig.rig_lines(load_rig(path))
    if kind == "scene":
        return head + describe.scene_lines(load_scene(path, stored=own_store()))
    if kind == "converter":
        return head + describe.converter_file_lines(load_converter(path))
    if kind == "profile":
        profile = load_profile(path)
        return head + profile_lines(profile, _known(profile), ascii_only())
    if kind == "pedalboard":
        return head + describe.pedalboard_lines(load_pedalboard(path))
    if kind == "scl":
        return head + describe.scale_lines(_read_scale(path))
    over = preset("12 equal") if scale is None else _scale_of(scale)
    try:
        keyboard_map = parse_kbm(read_bytes(path), str(path), over)
    except ScaleError as error:
        raise ConfigError([str(error)]) from None
    return head + describe.map_lines(keyboard_map, over)


def _known(profile: Profile) -> Known:
    """Return how well a profile's curve is known, by the rule of ``measure``."""
    import numpy as np

    from ..measure.curve.between_readings import known_cents
    from ..measure.curve.model import Model, ModelTerms, Points

    zero = Converter().zero_volt_note
    curve = profile.curve(zero)
    at = [profile.pitch_cents(one, zero) for one in profile.readings]
    good = [
        (cents, one)
        for cents, one in zip(at, profile.readings, strict=True)
        if curve.unusable_at(cents) is None
    ]
    if len(good) < 2:
        return Known({}, False)
    cents = np.array([cents for cents, _ in good])
    points = Points(
        cents,
        np.array([one.cents for _, one in good]),
        np.array([one.sigma_cents for _, one in good]),
        np.zeros(len(good)),
        np.round(cents / 100.0).astype(int),
    )
    terms = ModelTerms(float(cents.min()), float(cents.max()), 100.0 * zero)
    notes = [
        note
        for note in range(128)
        if cents.min() <= 100.0 * note <= cents.max() and curve.unusable_at(100.0 * note) is None
    ]
    if not notes:
        return Known({}, False)
    wanted = [100.0 * note for note in notes]
    proved = bool(profile.proof)
    found = (
        2.0 * Model(terms, points).predict(wanted)[1]
        if proved
        else known_cents(terms, points, wanted)
    )
    return Known(dict(zip(notes, map(float, found), strict=True)), proved)


def _scale_of(name: str) -> Scale:
    return _read_scale(Path(name)) if name.lower().endswith(".scl") else preset(name)


def _read_scale(path: Path) -> Scale:
    try:
        return parse_scl(read_bytes(path), str(path))
    except ScaleError as error:
        raise ConfigError([str(error)]) from None

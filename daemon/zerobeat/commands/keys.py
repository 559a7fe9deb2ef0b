"""``zerobeat keys``: what each key of each kind of file means."""

from __future__ import annotations

import argparse

from ..config.key_reference import (
    KINDS_OF_FILES,
    documented_keys,
    key_lines,
    key_named,
    reference_page,
)

NOT_SET = ("all", "voices", "title", "program", "bank")  # of a scene: store and files do that
TONIGHT = (
    "concert_a_hz",
    "transpose_semitones",
    "transpose_cents",
    "transpose_degrees",
    "set_list",
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat keys scene\n"
        "  zerobeat keys rig tail_s\n"
        "  zerobeat keys scene triggers.clock.every\n\n"
        "Made from what zerobeat itself reads: type, range, unit, the usual value, a line."
    )
    parser.add_argument("kind", nargs="?", choices=KINDS_OF_FILES, help="of file")
    parser.add_argument("key", nargs="?", help="a key, whole or its last part")
    parser.add_argument("--names", action="store_true", help="print names alone, for completion")
    parser.add_argument(
        "--settings", action="store_true", help="print what zerobeat set takes, for completion"
    )
    parser.add_argument("--page", action="store_true", help="print the page docs/keys.md")


def run(args: argparse.Namespace) -> int:
    if args.page:
        print(reference_page(), end="")
        return 0
    if args.settings:
        print("\n".join(_settings()))
        return 0
    lines: list[str] = []
    for kind in KINDS_OF_FILES if args.kind is None else (args.kind,):
        keys = documented_keys(kind) if args.key is None else key_named(kind, args.key)
        if args.names:
            lines += [key.name.rpartition(".")[2].removesuffix("[]") for key in keys]
        else:
            lines += [*([f"{kind} file", ""] if args.key is None else []), *key_lines(kind, keys)]
    print("\n".join(dict.fromkeys(lines) if args.names else lines))
    return 0


def _settings() -> list[str]:
    """Return the keys that ``zerobeat set`` takes: of a voice, of the scene, of tonight."""
    names = [key.name for key in documented_keys("scene")]
    voice = [name.removeprefix("all.") for name in names if name.startswith("all.")]
    scene = [name for name in names if name.isidentifier() and name not in NOT_SET]
    return list(dict.fromkeys([*voice, *scene, *TONIGHT]))

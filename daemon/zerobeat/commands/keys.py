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
    parser.add_argument("--page", action="store_true", help="print the page docs/keys.md")


def run(args: argparse.Namespace) -> int:
    if args.page:
        print(reference_page(), end="")
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

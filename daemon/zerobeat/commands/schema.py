"""``zerobeat schema``: a JSON Schema of a kind of file, for editors."""

from __future__ import annotations

import argparse
import json

from ..config.key_reference import KINDS_OF_FILES, schema


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat schema scene > scene.schema.json\n\n"
        "An editor that knows YAML finds it by this line at the top of a file:\n"
        "# yaml-language-server: $schema=scene.schema.json\n"
        "zerobeat check is stricter: it also knows your ports, voices and scales."
    )
    parser.add_argument("kind", choices=KINDS_OF_FILES, help="of file")


def run(args: argparse.Namespace) -> int:
    print(json.dumps(schema(args.kind), indent=2))
    return 0

"""``zerobeat completion``: completes commands, voices, scenes and settings in a shell."""

from __future__ import annotations

import argparse
from pathlib import Path

SHELLS = ("bash", "zsh", "fish")
GENERATED = Path(__file__).resolve().parent.parent / "generated"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "examples:\n"
        "  zerobeat completion bash > ~/.local/share/bash-completion/completions/zerobeat\n"
        "  zerobeat completion zsh > ~/.zfunc/_zerobeat     (a folder in fpath)\n"
        "  zerobeat completion fish > ~/.config/fish/completions/zerobeat.fish"
    )
    parser.add_argument("shell", choices=SHELLS, help="your shell")


def run(args: argparse.Namespace) -> int:
    print((GENERATED / f"completion.{args.shell}").read_text(encoding="utf-8"), end="")
    return 0

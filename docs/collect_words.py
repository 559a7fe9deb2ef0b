#!/usr/bin/env python3
"""Collects every text that a player can meet from the sources, to be read aloud.

    .venv/bin/python docs/collect_words.py > words.txt

A text is a string of two words or more that is no docstring, with ``{}`` where a value goes.
``tests/data/words.txt`` keeps them, so that a change of words shows (tests/test_words.py).
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent.parent / "daemon" / "zerobeat"
# Addresses of keys, which are shown with their line beside them.
ADDRESS = re.compile(r"^(rig|scene|converter|profile|pedalboard) [a-zA-Z_.\[\]]+$")
TWO_WORDS = re.compile(r"[A-Za-z]{2,}[^A-Za-z]* [^A-Za-z]*[A-Za-z{]")


def texts_of(source: str) -> Iterator[str]:
    """Yield the texts of a module, in its order."""
    tree = ast.parse(source)
    docstrings = {
        id(node.value)
        for parent in ast.walk(tree)
        for node in _body(parent)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    inside = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.JoinedStr)
        for part in node.values
    }
    for node in ast.walk(tree):
        if id(node) in docstrings or id(node) in inside:
            continue
        text = _text(node)
        if text is not None and TWO_WORDS.search(text):
            yield text


def _body(node: ast.AST) -> list[ast.stmt]:
    body = getattr(node, "body", None)
    return body if isinstance(body, list) else []


def _text(node: ast.AST) -> str | None:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(
            str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
        )
    return None


def lines() -> Iterator[str]:
    """Yield a heading a module and its texts, a line each."""
    for path in sorted(PACKAGE.rglob("*.py")):
        found = dict.fromkeys(
            line.strip()
            for text in texts_of(path.read_text(encoding="utf-8"))
            for line in text.splitlines()
            if TWO_WORDS.search(line) and not ADDRESS.match(line)
        )
        if found:
            yield f"[{path.relative_to(PACKAGE)}]"
            yield from found
            yield ""


if __name__ == "__main__":
    sys.stdout.write("\n".join(lines()))

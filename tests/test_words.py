"""Every text that a player can meet, so that a change of words shows and is read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
GOLDEN = ROOT / "tests" / "data" / "words.txt"
# What players stumbled over, and its opposite in plain words.
NOT_SAID = {
    "two sigma": "19 times in 20",
    "turn it up": "tune it up, or turn its level up",
    "turn it down": "tune it down, or turn its level down",
    " high: tune": "sharp",
    " low: tune": "flat",
    "its scale is": "its volts per octave are",
    "plays by it": "the new correction starts at",
    "nothing fitting": "sent no switch or pedal that fits",
    "(wire": "sent as",
    "thinned": "skipped",
    "unmeasured": "not measured",
    "in rotate": "in rotation",
    "clamped": "bend used up",
    "land changes": "sets off what waits",
}


@pytest.fixture(scope="module")
def words() -> str:
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs/collect_words.py")],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def test_a_change_of_words_shows(words: str, request: pytest.FixtureRequest) -> None:
    """Read them aloud before renewing the file: --rewrite-golden."""
    if request.config.getoption("--rewrite-golden"):
        GOLDEN.write_text(words)
    assert words.splitlines() == GOLDEN.read_text().splitlines()


@pytest.mark.parametrize("text", NOT_SAID)
def test_what_players_stumbled_over_is_not_said(words: str, text: str) -> None:
    said = [line for line in words.splitlines() if text in line]
    assert said == [], f"say: {NOT_SAID[text]}"

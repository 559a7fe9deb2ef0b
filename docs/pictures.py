#!/usr/bin/env python3
"""Draws the pictures of the pages from the program itself, so that they never lie.

    .venv/bin/python docs/pictures.py            # writes what differs
    .venv/bin/python docs/pictures.py --check

The console and the needle are the program's own lines for a status that its engine gives; the
curve is what ``zerobeat check`` prints of a shipped profile, the report its own picture.
"""

from __future__ import annotations

import html
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))  # for kit
os.environ["TZ"] = "UTC"

from kit.small_case import SmallCaseHarness  # noqa: E402
from zerobeat.config.file_lookup import SHIPPED  # noqa: E402
from zerobeat.console.line import Line, Mark  # noqa: E402
from zerobeat.console.needle import needle_lines, needle_of  # noqa: E402
from zerobeat.console.screen import screen_lines  # noqa: E402
from zerobeat.engine import commands  # noqa: E402
from zerobeat.engine.plain_status import plain  # noqa: E402
from zerobeat.midi import NoteOn  # noqa: E402

PLAIN = {**os.environ, "LC_ALL": "C", "TERM": "dumb"}
PICTURES = ROOT / "docs" / "pictures"
CELL, ROW = 8, 18
COLOURS: dict[Mark, str] = {
    "": "#d8d8d8",
    "head": "#ffffff",
    "waits": "#f0c040",
    "bad": "#ff6060",
    "good": "#60d080",
    "old": "#808080",
}


def svg(lines: list[Line]) -> str:
    """Return a terminal's lines as a picture."""
    width = CELL * (2 + max(len(line.text) for line in lines))
    height = ROW * (1 + len(lines))
    rows = []
    for number, line in enumerate(lines):
        if line.text:
            bold = "" if line.mark in ("", "old") else ' font-weight="bold"'
            place = f'<text x="{CELL}" y="{ROW * (number + 1)}" fill="{COLOURS[line.mark]}"{bold}>'
            rows.append(f"{place}{html.escape(line.text)}</text>")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}">\n'
        f'<rect width="{width}" height="{height}" rx="6" fill="#16181c"/>\n'
        '<g font-family="monospace" font-size="13" xml:space="preserve">\n'
        + "\n".join(rows)
        + "\n</g>\n</svg>\n"
    )


def evening() -> dict[str, object]:
    """Return the status of the shipped small case with a chord held and a change that waits."""
    case = SmallCaseHarness()
    case.hear(NoteOn(0, 60, 100))
    case.hear(commands.RecallScene("drone"), "")
    ports = [
        {
            "name": name,
            "direction": way,
            "state": "connected",
            "port": "",
            "faults": 0,
            "last_fault": "",
            "since_s": 0.0,
        }
        for name, way in (
            ("keys", "in"),
            ("steps", "in"),
            ("feet", "in"),
            ("quad", "out"),
            ("octo", "out"),
        )
    ]
    return {**plain(case.picture()), "ports": ports}


def pictures() -> Iterator[tuple[str, str]]:
    shown = evening()
    yield "status.svg", svg(screen_lines(shown, 79, 24, {}, True))
    lost = {
        **shown,
        "ports": [
            port | ({"state": "missing"} if port["name"] == "octo" else {})
            for port in shown["ports"]  # type: ignore[attr-defined]
        ],
    }
    yield "status-lost.svg", svg(screen_lines(lost, 79, 24, {}, True)[:8])
    needle = needle_of("reed", -24.1, 2.0)
    text = "reed: 24.1 cents flat: tune it up"
    yield "tune.svg", svg([Line(line) for line in [*needle_lines(needle, 70), text]])
    path = SHIPPED / "oscillators" / "reed-oscillator.yaml"
    asked = [sys.executable, "-m", "zerobeat", "check", path.name]
    done = subprocess.run(
        asked, cwd=path.parent, capture_output=True, text=True, check=True, env=PLAIN
    )
    yield "curve.svg", svg([Line(line) for line in done.stdout.splitlines()])
    yield "report.svg", report_picture()


def report_picture() -> str:
    """Return the first picture of ``zerobeat report``, in the colours of its light page."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder, "report.html")
        rig = SHIPPED / "rigs" / "small-case.yaml"
        asked = [sys.executable, "-m", "zerobeat", "report", "--rig", str(rig), "--out", str(out)]
        subprocess.run(asked, capture_output=True, check=True, env=PLAIN)
        page = out.read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+): (#\w{6})", page.partition("@media")[0]))
    picture = page[page.index("<svg") : page.index("</svg>") + 6]
    for name, colour in colours.items():
        picture = picture.replace(f"var(--{name})", colour)
    ground = f'<rect width="100%" height="100%" fill="{colours["paper"]}"/>'
    head, _, rest = picture.partition(">")
    head = head.replace(
        "<svg",
        '<svg xmlns="http://www.w3.org/2000/svg" '
        'xmlns:xlink="http://www.w3.org/1999/xlink" font-family="sans-serif"',
    )
    return f"{head}>{ground}{rest}\n"


def main() -> int:
    differing = 0
    for name, text in pictures():
        path = PICTURES / name
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        differing += 1
        print(path.relative_to(ROOT))
        if "--check" not in sys.argv:
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
    return 1 if differing and "--check" in sys.argv else 0


if __name__ == "__main__":
    sys.exit(main())

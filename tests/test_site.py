"""The pages as a site: built without a warning, links followed, pictures and commands true."""

from __future__ import annotations

import contextlib
import importlib.util
import io
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
TEACHING = [
    ROOT / "docs" / "index.md",
    ROOT / "docs" / "first-evening.md",
    ROOT / "docs" / "trouble.md",
    *sorted((ROOT / "docs" / "jobs").glob("*.md")),
]
HAS_MKDOCS = importlib.util.find_spec("mkdocs") is not None


@pytest.mark.skipif(not HAS_MKDOCS, reason="mkdocs is not installed: the extra docs")
def test_the_site_is_built_without_a_warning_and_every_link_leads_somewhere(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "-q", "-d", str(tmp_path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    pages = list(tmp_path.rglob("*.html"))
    assert len(pages) > 25
    for page in pages:
        for target in re.findall(r'(?:href|src)="([^"#?]+)', page.read_text(encoding="utf-8")):
            if target.startswith(("http://", "https://", "/", "data:")) or page.name == "404.html":
                continue
            there = (page.parent / target).resolve()
            assert there.exists(), f"{page.relative_to(tmp_path)} links to {target}"


def test_the_pictures_are_what_the_program_shows() -> None:
    pytest.importorskip("matplotlib")
    done = subprocess.run(
        [sys.executable, str(ROOT / "docs/pictures.py"), "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    differing = set(done.stdout.split()) - {"docs/pictures/report.svg"}  # as matplotlib draws it
    assert (differing, done.stderr) == (set(), ""), "run docs/pictures.py"


def _commands_in(page: Path) -> list[str]:
    text = page.read_text(encoding="utf-8").replace("\n   ", " ")
    found = re.findall(r"`(zerobeat [^`]+)`", text)
    lines = page.read_text(encoding="utf-8").splitlines()
    found += [line.strip() for line in lines if line.startswith("    zerobeat ")]
    return [command.partition("#")[0].strip() for command in found]


@pytest.mark.parametrize("page", TEACHING, ids=lambda page: page.stem)
def test_every_command_of_a_teaching_page_can_be_typed(
    page: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "docs"))
    spec = importlib.util.spec_from_file_location("generate", ROOT / "docs/generate.py")
    assert spec is not None and spec.loader is not None
    generate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generate)
    parser = generate.whole_parser()
    commands = _commands_in(page)
    assert commands
    for command in commands:
        words = shlex.split(command)[1:]
        with contextlib.redirect_stderr(io.StringIO()) as said:
            try:
                parser.parse_args(words)
            except SystemExit as end:
                assert end.code == 0, f"{command}: {said.getvalue()}"

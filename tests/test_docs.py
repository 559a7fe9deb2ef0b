"""Pages name what is there: modules, folders, other pages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import zerobeat

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = Path(zerobeat.__file__).parent
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("systemd/*.md")])
LINK = re.compile(r"\]\(([^)#\s]*)(#[^)\s]*)?\)")


def heading_anchors(page: Path) -> set[str]:
    """Return the anchors of a page's headings, as common renderers of Markdown make them."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_between_pages_leads_somewhere(page):
    for target, anchor in LINK.findall(page.read_text()):
        if "://" in target:
            continue
        there = (page.parent / target) if target else page
        assert there.exists(), f"{page.name} links to {target}"
        if anchor and there.suffix == ".md":
            assert anchor[1:] in heading_anchors(there), f"{page.name} links to {target}{anchor}"


def test_developers_md_names_every_folder_and_only_modules_that_exist():
    text = (ROOT / "DEVELOPERS.md").read_text()
    folders = {
        f"{path.parent.relative_to(PACKAGE)}/"
        for path in PACKAGE.rglob("__init__.py")
        if path.parent != PACKAGE
    } - {"measure/"}  # holds nothing but its folders
    assert {folder for folder in folders if f"`{folder}`" not in text} == set()
    named = set(re.findall(r"\b[a-z0-9_]+(?:/[a-z0-9_]+)*\.py\b", text)) - {"NAME.py"}
    places = (ROOT, PACKAGE, PACKAGE / "engine", PACKAGE / "commands")
    assert {n for n in named if not any((place / n).exists() for place in places)} == set()


def test_the_readme_is_short_enough_to_be_read():
    assert len((ROOT / "README.md").read_text().splitlines()) < 200


def test_requirement_ids_cited_in_code_and_tests_are_explained():
    """IDs such as M1 or F10 in comments and docstrings stand in docs/requirements.md."""
    explained = set(
        re.findall(r"\b([MNBSAFCT]\d{1,2})\b", (ROOT / "docs/requirements.md").read_text())
    )
    cited = set()
    for path in [*PACKAGE.rglob("*.py"), *(ROOT / "tests").rglob("*.py")]:
        for quote in re.findall(
            r"\(requirements? ([^)]*)\)|\(([A-Z]\d{1,2}(?:, [A-Z]\d{1,2})*)\)", path.read_text()
        ):
            cited |= set(re.findall(r"\b([MNBSAFCT]\d{1,2})\b", " ".join(quote)))
    assert cited - explained - {"C0", "C1", "C2", "C3", "C4", "C5", "C6", "C7", "A4"} == set()

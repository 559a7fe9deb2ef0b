"""release/check and its own parts."""

from __future__ import annotations

import subprocess

from release.links import anchors, broken
from release.targets import ROOT


def test_a_link_that_leads_nowhere_is_named_with_its_line(tmp_path):
    (tmp_path / "other.md").write_text("# Go back, if you must\n")
    page = tmp_path / "page.md"
    page.write_text(
        "[a](other.md) [b](other.md#go-back-if-you-must) [c](https://example.org/x)\n"
        "[d](lost.md)\n[e](other.md#gone) [f](#here)\n\n## Here\n"
    )
    assert broken([page]) == [
        f"{page}:2: lost.md: no such file",
        f"{page}:3: other.md#gone: no such heading",
    ]


def test_a_comment_in_an_example_is_no_heading():
    assert anchors("# One\n```\n# two\n```\n") == {"one"}


def test_all_links_of_the_tree_lead_somewhere():
    pages = [*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), *ROOT.glob("systemd/*.md")]
    assert broken(pages) == []


def test_an_unknown_step_is_refused_with_those_that_are():
    done = subprocess.run([ROOT / "release/check", "luck"], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr == (
        "error: step: found luck; allowed: tree, links, tests, files, installs, machine\n"
    )

"""``report``: one self-contained page."""

import re
import shutil
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from zerobeat.cli import main
from zerobeat.config.profile_file import CheckNote, Profile, ProfileReading, profile_to_yaml
from zerobeat.state.state_directory import state_directory
from zerobeat.state.store import Store
from zerobeat.tuning.readings import Unusable

RIG = """
inputs: {keys: {port: "Stage Keys:Stage Keys MIDI 1"}}
converters: {quad: {port: "quad:quad MIDI 1", converter: {zero_volt_note: 36}}}
voices:
  reed: {converter: quad, channel_number: 1, lowest_note: 24, highest_note: 96}
  horn: {converter: quad, channel_number: 2}
"""
PROFILE = Profile(
    "reed",
    tuple(ProfileReading(0.1 * (n - 60), n, spread_cents=0.05) for n in range(30, 97, 6)),
    measured="2026-11-25 16:20",
    unusable=(Unusable(2400.0, 2900.0, "no steady pitch to read (noise)"),),
    proof=(CheckNote(45, -1.6, 0.05), CheckNote(75, 1.4, -0.2)),
    drift_cents_per_min=0.4,
)
SHIPPED = Path(__file__).resolve().parents[2] / "profiles"


VOID = {"meta", "br", "hr", "img", "link", "input", "path", "use"}  # tags without an end


class PageParser(HTMLParser):
    """Collects tags, links and text; checks that tags are closed in order."""

    def __init__(self):
        super().__init__()
        self.tags, self.open, self.links, self.words = [], [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.links += [value for name, value in attributes if name in ("src", "href", "data")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.links += [value for name, value in attributes if name in ("src", "href", "data")]

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


@pytest.fixture
def report(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.yaml").write_text(RIG)

    def reported(*arguments, status=0):
        assert main(["report", *arguments]) == status
        err = capsys.readouterr().err
        return err if status else (tmp_path / "report.html").read_text()

    return reported


def keep(profile):
    Store(state_directory()).save("profiles", profile.voice, profile_to_yaml(profile))


def parsed(text):
    page = PageParser()
    page.feed(text)
    page.close()
    assert page.open == []
    return page


def test_the_page_loads_nothing_and_says_it_in_words(report):
    keep(PROFILE)
    text = report()
    page = parsed(text)
    assert all(link.startswith("#") for link in page.links)
    assert not re.search(r"https?://(?!www\.w3\.org/)", text)
    assert not {"script", "img", "link", "iframe"} & set(page.tags)
    words = " ".join(" ".join(page.words).split())
    for said in (
        "Unusable: C1 (24) to F1 (29), -1.00 V to -0.58 V: no steady pitch to read (noise).",
        "12 readings, F#1 to C7; raw it is off by up to 3.6 cents",
        "the check notes were off by 0.20 cents at most",
        "drifted +0.40 cents a minute",
        "Without a profile, played raw: horn.",
        "tune it two octaves lower at the panel and set panel_octaves: -2",
    ):
        assert said in words, said


def test_pictures_are_whole_and_follow_light_and_dark(report):
    keep(PROFILE)
    text = report("reed")
    pictures = re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL)
    assert len(pictures) == 3  # rig, curve, check notes; one profile has no history
    for picture in pictures:
        ET.fromstring(picture)
        # Every colour is the page's own, which the dark scheme changes.
        assert not re.search(r"(?:fill|stroke): #(?!000000)[0-9a-f]{6}", picture)
        assert "var(--ink)" in picture
    assert "prefers-color-scheme: dark" in text
    used = set(re.findall(r"var\(--(\w+)\)", text))
    light, dark = text.split("prefers-color-scheme: dark")[:2]
    for name in used:
        assert f"--{name}:" in light and f"--{name}:" in dark


def test_earlier_profiles_are_shown_by_date(report):
    old = replace(PROFILE, measured="2026-10-02 19:10", drift_cents_per_min=0.0)
    keep(replace(old, readings=tuple(replace(r, cents=r.cents + 5) for r in PROFILE.readings)))
    keep(PROFILE)
    text = report("reed")
    rows = re.findall(r"<tr><td>(2026-[^<]*)</td><td class=n>([^<]*)</td><td class=n>([^<]*)", text)
    # The straight line: 0.1 cents a semitone is 1.2 an octave; 0.3 in the middle, F#1 to C7.
    assert rows == [("2026-10-02 19:10", "+5.30", "+1.20"), ("2026-11-25 16:20", "+0.30", "+1.20")]
    assert len(re.findall("<svg", text)) == 4
    assert "<td>2026-10-02 19:10</td><td>2026-11-25 16:20</td><td class=n>-5.0</td>" in text


def test_it_begins_with_the_whole_rig_and_what_to_do_in_order_of_worth(report):
    keep(replace(PROFILE, proof=(*PROFILE.proof, CheckNote(62, 2.0, -3.4))))
    text = report()
    first = text[: text.index("<h2 id='reed'>")]
    assert first.count("<svg") == 1
    todo = re.findall(r"<li>([^<]*)</li>", first[first.index("What to do") : first.index("</ol>")])
    assert todo[0].startswith("horn: plays raw; measure it: zerobeat measure horn")
    assert todo[1].startswith("reed: tune it two octaves lower")
    assert "reed: check notes are off by up to 3.4 cents; measure it again" in todo
    # The worst note first; then the others.
    worst = re.findall(
        r"<td>reed</td><td>(\S+)</td><td class=n>[^<]*</td><td class=n>([^<]*)", first
    )
    assert worst == [("D4", "-3.40"), ("D#5", "-0.20"), ("A2", "+0.05")]
    assert "Unusable regions" in first
    # On paper: light, no folded parts, a page a voice.
    assert "@page { size: A4" in text and "@media print" in text


def test_same_profiles_give_the_same_page(report):
    keep(PROFILE)
    assert report() == report("--force")


def test_shipped_profiles_against_volts_have_a_page_too(report, tmp_path):
    shutil.copy(SHIPPED / "rigs/small-case.yaml", tmp_path / "rig.yaml")
    text = report()
    page = parsed(text)
    assert text.count("<h2") == 6  # the rig, then five voices
    assert "+2.000 V" in " ".join(page.words)


def test_what_cannot_be_shown_is_one_clear_line(report):
    assert "found no profile; measure a voice first" in report(status=1)
    assert "found no voice lute" in report("lute", status=1)
    keep(PROFILE)
    report()
    assert "or write over it with --force" in report(status=1)


def test_without_matplotlib_one_line_says_what_to_install(report, monkeypatch):
    keep(PROFILE)
    for name in ("zerobeat.report.page", "zerobeat.report.figures"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "matplotlib", None)  # as if it were not installed
    err = report(status=1)
    assert err == (
        "report: found no Python package matplotlib; install it with: "
        "pip install 'zerobeat[report]'\n"
    )

"""``check`` says what a person can verify by eye, in 80 columns of plain text."""

import subprocess
from pathlib import Path

import pytest

from zerobeat.cli import main
from zerobeat.config.describe import unison_ms
from zerobeat.config.describe_rig import playable, runs
from zerobeat.engine.settings import Voice
from zerobeat.tuning.tracking import TrackingCurve, Unusable

PROFILES = Path(__file__).resolve().parents[2] / "profiles"


@pytest.fixture
def check(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))

    def checked(*arguments: str | Path, status: int = 0) -> str:
        assert main(["check", *map(str, arguments)]) == status
        out, err = capsys.readouterr()
        text = err if status else out
        assert "\x1b" not in text
        return text

    return checked


FILES = sorted(path for path in PROFILES.glob("*/*") if path.is_file())
assert FILES, "no shipped files found"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_each_shipped_file_is_described_in_80_columns(check, path, monkeypatch):
    monkeypatch.chdir(PROFILES)
    out = check(path.relative_to(PROFILES))
    # A path is never broken, so that it can be copied.
    wide = [line for line in out.splitlines() if len(line) > 80 and "/" not in line]
    assert wide == []


def test_a_rig_is_summed_up(check):
    out = check(PROFILES / "rigs" / "small-case.yaml")
    for text in (
        "keys: Stage Keys:Stage Keys MIDI 1",
        "all channels; wheel 200 cents either side",
        "clock counts",
        # 200 cents in 8192 steps: 0.0244 (arithmetic).
        "bend 200 cents either side, range sent; one step 0.024 cents",
        "notes C1 (24) to C8 (108), -1.00 to +6.00 V; 0 V at C2 (36)",
        "3125 bytes a second (din)",
        "a unison of its 1 voice takes 1.92 ms",
        "passes channel numbers 10; clock, transport",
        "bass: quad, channel number 4",
        "panel -1 octave",
        "heard with the gate low: keep its level down",
        "drone: program 2 (sent as 1), changes: next trigger",
        "together: program 1 (sent as 0), changes: next note (starts)",
        "trigger: note C2 (36) from steps, channel number 10",
        "floor: continuous; legato; changes: next note; starts on D1 (26)",
    ):
        assert text in out, text


# MIDI 1.0: 31,250 baud, ten bits a byte, bend and note-on three bytes each without
# running status (arithmetic): all sent, and note-ons apart when the bends go first.
@pytest.mark.parametrize(
    ("voices", "whole_ms", "spread_ms"),
    [(1, 1.92, 0.0), (2, 3.84, 0.96), (4, 7.68, 2.88), (8, 15.36, 6.72), (16, 30.72, 14.40)],
)
def test_a_unison_on_one_din_cable(voices, whole_ms, spread_ms):
    assert unison_ms(voices, 3125) == pytest.approx((whole_ms, spread_ms), abs=0.005)


def test_playable_notes_follow_the_panel_the_range_and_the_curve():
    voice = Voice("reed", "quad", 0, lowest_note=36, highest_note=84, bend_range_cents=200.0)
    # Two semitones of bend reach past the outermost notes.
    assert playable(voice, 36) == ["plays A#1 (34) to D6 (86), -0.17 to +4.17 V"]
    below = Voice("reed", "quad", 0, -1, 200.0, 36, 84)
    # The panel an octave below what is written: the daemon sends an octave more.
    assert playable(below, 36) == ["plays A#0 (22) to D5 (74), -0.17 to +4.17 V"]
    part = Unusable(3600.0, 3800.0, "readings scatter by 9.0 cents")
    curve = TrackingCurve((4800.0, 8400.0), (4800.0, 8400.0), (part,))
    measured = Voice("reed", "quad", 0, 0, 200.0, 36, 84, curve)
    assert playable(measured, 36) == [
        "plays A#1 (34) to D6 (86), -0.17 to +4.17 V",
        "extrapolated A#1 (34) to B2 (47), -0.17 to +0.92 V",
        "extrapolated C#6 (85) to D6 (86), +4.08 to +4.17 V",
        "unusable: C2 (36) to D2 (38), +0.00 V to +0.17 V: readings scatter by 9.0 cents",
    ]


def test_runs():
    assert runs([]) == []
    assert runs([1, 2, 3, 7, 9, 10]) == [(1, 3), (7, 7), (9, 10)]


def test_a_stale_profile_and_an_unmeasured_voice_are_said(check, tmp_path):
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "reed.yaml").write_text(
        "panel_octaves: -1\nreadings: [{note: 36, cents: 2}]\n"
    )
    (tmp_path / "rig.yaml").write_text(
        "inputs: {keys: {port: 'a:b'}}\nconverters: {quad: {port: 'c:d', converter: quad}}\n"
        "voices:\n  reed: {converter: quad, channel_number: 1}\n"
        "  horn: {converter: quad, channel_number: 2}\n"
    )
    out = check(tmp_path / "rig.yaml")
    assert "check it: measured with panel_octaves -1, the rig says +0" in out
    assert "voices.horn.profile: not measured: played raw" in " ".join(out.split())


def test_a_shipped_scene_for_another_case_says_how_to_make_it_ones_own(check, tmp_path):
    rig = (
        "inputs: {keys: {port: 'a:b'}}\nconverters: {quad: {port: 'c:d', converter: quad}}\n"
        "voices:\n  reed: {converter: quad, channel_number: 1, profile: none}\n"
        "  saw: {converter: quad, channel_number: 2, profile: none}\nscenes: [drone]\n"
    )
    (tmp_path / "rig.yaml").write_text(rig)
    (line, _count) = check(tmp_path / "rig.yaml", status=78).splitlines()
    start = (
        f"{tmp_path}/rig.yaml:6: scenes[0]: found drone, a scene that comes with zerobeat and is "
        "for another case; this rig has no clock (clock_from), input steps, voice horn, voice "
        "floor, voice glass. Make it yours: "
    )
    assert line.startswith(start)
    command = line.removeprefix(start).partition(" and write your own names")[0]
    subprocess.run(command, shell=True, check=True)
    # The copy is the player's: now each place in it is named.
    assert f"{tmp_path}/scenes/drone.yaml:18: voices.horn: found horn" in check(
        tmp_path / "rig.yaml", status=78
    )


TYPED = (
    "readings: [{note: C2, cents: 3}, {note: C3, cents: -1}, {note: C5, cents: 6}, "
    "{note: C6, cents: 2}, {note: C6, cents: 9}]\n"
)


@pytest.mark.parametrize(("language", "dot"), [("C", "*"), ("C.UTF-8", "\u2022")])
def test_a_profile_shows_what_the_curve_makes_of_its_readings(
    check, tmp_path, monkeypatch, language, dot
):
    for name in ("LC_ALL", "LC_CTYPE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LANG", language)
    monkeypatch.setenv("TERM", "xterm")
    (tmp_path / "reed.yaml").write_text(TYPED)
    out = check(tmp_path / "reed.yaml")
    assert out.isascii() == (dot == "*")
    rows = {line.split()[0]: line.split() for line in out.splitlines() if " to B" in line}
    # From +3 at C2 falling to -1 at C3, which the octave ends a semitone below.
    assert -1.0 < float(rows["C2"][3]) < -0.8 and rows["C2"][5] == "+3.00"
    assert (rows["C2"][6], rows["C4"][6]) == ("1", "none")
    # Nothing was read between C3 and C5: less is known there.
    assert float(rows["C4"][7]) > float(rows["C2"][7]) > 1.0
    assert "largest error +6." in out  # at C5 or just above, where the curve turns
    assert "unusable: " in out and "readings scatter by 7.0 cents" in " ".join(out.split())
    assert "extrapolated: below C2 (36)" in out and "above C6 (84)" in out
    plot = [line for line in out.splitlines() if "\u2502" in line or "|" in line]
    assert len(plot) == 12  # eleven rows, and one that marks what is unusable
    # C2 to C6 are 49 columns; a reading stands on the curve or beside it.
    assert 40 < sum(line.count(dot) for line in plot) < 49
    assert sum(line.count("o") for line in plot) == 4
    assert plot[-1].count("x") == 7  # from half-way below C6
    assert all(len(line) <= 80 for line in out.splitlines() if "/" not in line)


def test_a_profile_by_note_number_shows_each_numbers_error(check, tmp_path):
    (tmp_path / "reed.yaml").write_text(
        "errors_follow: number\nreadings: [{note: 36, cents: 1}, {note: 37, cents: -30}, "
        "{note: 38, cents: 1}]\n"
    )
    assert "largest error -30.00 cents, at C#2 (37), +0.08 V" in check(tmp_path / "reed.yaml")


def test_an_interval_list_is_printed_for_a_scale(check):
    """Requirement B9. Cents of just intervals: Ellis, appendix XX to Helmholtz (1885), computed."""
    out = check(PROFILES / "scales" / "pure-major.scl").splitlines()
    cents = [
        float(line.split()[1])
        for line in out
        if line.endswith("cents") and line[:4].strip().isdigit()
    ]
    assert cents == pytest.approx(
        [0, 203.910, 386.314, 498.045, 701.955, 884.359, 1088.269], abs=5e-4
    )
    assert out[-1].split() == ["7", "1200.000000", "cents", "(repeats)"]


def test_a_keyboard_map_is_printed_over_its_scale(check):
    out = check(
        PROFILES / "scales" / "white-keys.kbm", "--scale", PROFILES / "scales" / "pure-major.scl"
    )
    # A at 440 Hz is degree 5, 5/3 above C: C sounds 264 Hz, its fifth G 396 Hz (arithmetic).
    assert "C4 (60)      6015.641      264.0000" in out
    assert "G4 (67)      6717.596      396.0000" in out
    assert "C#4 (61)   silent" in out


@pytest.mark.parametrize(
    ("name", "text", "kind"),
    [
        ("a.yaml", "hold: note\nassign: rotate\n", "scene"),
        ("a.yaml", "voices: {reed: {octaves: 1}}\n", "scene"),
        ("a.yaml", "settle_ms: 2\noverlap: legato\n", "converter"),
        ("a.yaml", "readings: [{note: 36, cents: 2}]\n", "profile"),
        ("a.yaml", "bindings: []\n", "pedalboard"),
        ("a.scl", "x\n 1\n 2/1\n", ".scl"),
        ("scenes/a.yaml", "title: x\n", "scene"),
        ("converters/a.yaml", "title: x\n", "converter"),
        ("scenes/a.yaml", "{}\n", "scene"),
    ],
)
def test_the_kind_of_file_is_recognised(check, tmp_path, name, text, kind):
    (tmp_path / name).parent.mkdir(exist_ok=True)
    (tmp_path / name).write_text(text)
    assert check(tmp_path / name).startswith(f"{tmp_path / name}: {kind} file without faults\n")


def test_a_file_of_no_kind_is_one_line(check, tmp_path):
    (tmp_path / "a.yaml").write_text("foo: 1\n")
    assert check(tmp_path / "a.yaml", status=78) == (
        f"{tmp_path}/a.yaml:1: found none of the keys of a rig, scene, converter, profile or "
        "pedalboard; allowed: one of those files\n1 problem\n"
    )


@pytest.mark.parametrize("name", ["a.scl", "a.kbm"])
def test_faults_of_scale_files_exit_78_too(check, tmp_path, name):
    (tmp_path / name).write_text("x\n")
    assert check(tmp_path / name, status=78).startswith(f"{tmp_path / name}:")


def test_a_scene_says_what_counts_as_on_the_clock_where_it_is_not_as_usual(check, tmp_path):
    scene = tmp_path / "night.yaml"
    scene.write_text("hold: note\nearly_ms: 30\nsample_delay_ms: 0\n")
    assert "near the clock: early 30 ms, sample delay 0 ms" in check(scene)
    scene.write_text("hold: note\nlate_ms: 40\n")
    assert "near the clock" not in check(scene)


def test_a_wheel_that_takes_the_whole_bend_range_is_warned_about(check, tmp_path):
    """Its end loses the correction: nothing of the bend is left."""
    path = tmp_path / "rig.yaml"
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles/reed.yaml").write_text("readings:\n  - {note: 60, cents: 3}\n")
    rig = (
        'inputs:\n  keys: {{port: "keys:out"{wheel}}}\n'
        'converters:\n  octo: {{port: "octo:in", converter: {{bend_range_semitones: 2}}}}\n'
        "voices:\n  reed: {{converter: octo, channel_number: 1}}\n"
        "  horn: {{converter: octo, channel_number: 2, profile: none}}\n"
    )
    warning = "inputs.keys.wheel_cents: 200 cents are the whole bend range of reed, or more"
    path.write_text(rig.format(wheel=""))
    assert warning in " ".join(check(path).split())
    path.write_text(rig.format(wheel=", wheel_cents: 150"))
    assert "wheel_cents:" not in check(path)

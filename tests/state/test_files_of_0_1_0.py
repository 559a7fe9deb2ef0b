"""What 0.1.0 wrote is read by every later version, to the same values (C5, S8, S9).

The files stand in ``tests/data/0.1.0`` and are never changed; each test works on a copy. The
summary beside them says, field by field, what 0.1.0 read in them. A line of it that is no longer
true is a player's file that no longer means what it meant. A field that is new since then has no
line there, and needs none.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from kit.frozen_files import (
    FOLDER,
    Lines,
    bindings_lines,
    file_lines,
    generation_lines,
    last_good_lines,
    nothing_left,
    read_summary,
    rig_lines,
    sent_lines,
    session_lines,
    taken,
    usual_lines,
    write_section,
    zerobeat,
)

if TYPE_CHECKING:
    from kit.jack import JackServer

RIGS = ("case", "line", "other-counts")
FOLDERS = ("player/*", "state/scenes", "state/profiles")
FILES = sorted(
    str(path.relative_to(FOLDER))
    for folder in FOLDERS
    for path in FOLDER.glob(f"{folder}/*")
    if path.name != "counted.yaml"  # programs from 0, as only its rig says
)
PLAYED = (
    ("case", "at home", "player"),
    ("case", "together", "player"),
    ("case", "low drone", "player"),
    ("case", "round", "player"),
    ("case", "white keys", "player"),
    ("case", "temperaments", "player"),
    ("case", "at home", "state"),
    ("case", "slow", "state"),
    ("case", "friday slow", "state"),
    ("case", "late song", "state"),
    ("line", None, "player"),
    ("other-counts", "counted", "player"),
)
STORED = (
    ("scenes", "friday--slow"),
    ("scenes", "late song"),
    ("scenes", "scene-in-rig"),
    ("scenes", "slow"),
    ("profiles", "bell"),
    ("profiles", "oscillators--floor-oscillator"),
    ("profiles", "reed"),
)
TITLES = {  # of stored scenes, and their files
    "slow": "slow",
    "friday slow": "friday--slow",
    "late song": "late song",
    "at home": "scene-in-rig",
}
Check = Callable[[str, Lines], None]
SAME = ["all = as without"]
assert len(FILES) == 50, "the files of 0.1.0 are not there"


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of all the files, which plays with the state directory in it."""
    shutil.copytree(FOLDER, tmp_path / "0.1.0")
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "0.1.0/state"))
    return tmp_path / "0.1.0"


@pytest.fixture
def nothing_stored(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "nothing stored"
    monkeypatch.setenv("STATE_DIRECTORY", str(folder))
    return folder


@pytest.fixture
def check(request: pytest.FixtureRequest) -> Check:
    """Compare lines with a section of the summary."""

    def check(section: str, lines: Lines) -> None:
        if request.config.getoption("--rewrite-golden"):
            write_section(section, lines)
        expected = read_summary().get(section)
        assert expected, f"no section {section} in the summary"
        now = dict(line.split(" = ", 1) for line in lines)
        was = dict(line.split(" = ", 1) for line in expected)
        changed = [
            f"{path}: was {value}, is {now.get(path, 'gone')}"
            for path, value in was.items()
            if now.get(path) != value
        ]
        assert not changed, f"{section}:\n" + "\n".join(changed)

    return check


# ---------------------------------------------------------------- the player's files


@pytest.mark.parametrize("rig", RIGS)
def test_a_rig_says_what_it_said(rig: str, copy: Path, nothing_stored: Path, check: Check) -> None:
    check(f"rig {rig}", rig_lines(copy / f"player/{rig}.yaml"))


@pytest.mark.parametrize("rig", RIGS)
def test_a_rig_with_what_was_stored_says_what_it_said(
    rig: str, copy: Path, monkeypatch: pytest.MonkeyPatch, check: Check
) -> None:
    """The section holds what is not as in the rig without it."""
    stored = rig_lines(copy / f"player/{rig}.yaml")
    monkeypatch.setenv("STATE_DIRECTORY", str(copy / "no state"))
    plain = rig_lines(copy / f"player/{rig}.yaml")
    check(f"rig {rig} with state", [line for line in stored if line not in plain] or SAME)


def test_a_voice_plays_as_usual_where_a_scene_says_nothing(check: Check) -> None:
    check("usual", usual_lines())


@pytest.mark.parametrize("file", FILES)
def test_a_file_alone_says_what_it_said(
    file: str, copy: Path, nothing_stored: Path, check: Check
) -> None:
    """Each generation in the state directory too, the damaged ones as text."""
    check(f"file {file}", file_lines(copy / file))


@pytest.mark.parametrize("file", [*(f"{rig}.yaml" for rig in RIGS), "scenes/drone.yaml"])
def test_the_check_command_finds_no_fault(file: str, copy: Path, nothing_stored: Path) -> None:
    assert "without faults" in zerobeat("check", copy / "player" / file, state=nothing_stored)


@pytest.mark.parametrize(("rig", "scene", "stored"), PLAYED)
def test_a_key_sends_the_bytes_it_sent(
    rig: str, scene: str | None, stored: str, copy: Path, nothing_stored: Path, check: Check
) -> None:
    """Every voice's correction, by profile, table, drift of scale: the note and its bend."""
    state = copy / "state" if stored == "state" else nothing_stored
    lines = sent_lines(copy / f"player/{rig}.yaml", scene, state, copy / "out.mid")
    check(f"sent {rig}, scene {scene}, {stored}", lines)


# ---------------------------------------------------------------- the state directory


def test_each_generation_is_whole_or_damaged_as_it_was(copy: Path, check: Check) -> None:
    check("generations", generation_lines(copy / "state"))


def test_the_session_comes_back(copy: Path, check: Check) -> None:
    check("session", session_lines(copy / "state", copy / "player/case.yaml"))


def test_the_session_before_comes_back_when_the_newest_is_damaged(copy: Path, check: Check) -> None:
    damage(copy / "state/session.json")
    check("session before", session_lines(copy / "state", copy / "player/case.yaml"))


def test_what_was_learned_is_in_force(copy: Path, check: Check) -> None:
    check("learned", bindings_lines(copy / "state"))


def test_what_was_learned_before_is_in_force_when_the_newest_is_damaged(
    copy: Path, check: Check
) -> None:
    damage(copy / "state/bindings.yaml")
    check("learned before", bindings_lines(copy / "state"))


def test_the_last_good_rig_says_what_it_said(copy: Path, check: Check) -> None:
    """The section holds what is not as in the rig itself."""
    kept, own = last_good_lines(), rig_lines(copy / "player/case.yaml")
    assert len(kept) == len(own)
    check("last good rig", [line for line in kept if line not in own] or SAME)


def test_the_damaged_profile_gives_way_to_the_one_before(copy: Path, check: Check) -> None:
    """``profiles/horn.yaml`` was damaged when these files were kept."""
    file, said = taken(copy / "state", "profiles", "horn")
    assert file == "horn.1.yaml"
    assert len(said) == 1 and "horn.yaml" in said[0] and "horn.1.yaml" in said[0]
    horn = [line for line in rig_lines(copy / "player/case.yaml") if ".horn." in line]
    check("horn, newest damaged", horn)
    readings = "profiles.horn.readings[9].cents = "
    was = read_summary()["file state/profiles/horn.1.yaml"]
    assert f"readings[9].cents = {value_of(horn, readings)}" in was


def value_of(lines: Lines, start: str) -> str:
    return next(line.removeprefix(start) for line in lines if line.startswith(start))


def damage(path: Path, how: str = "a bit") -> None:
    raw = path.read_bytes()
    middle = len(raw) // 2
    flipped = bytes((raw[middle] ^ 1,))
    damaged = {"a bit": raw[:middle] + flipped + raw[middle + 1 :], "cut short": raw[:middle]}
    path.write_bytes(damaged.get(how, b""))


@pytest.mark.parametrize("how", ["a bit", "cut short", "empty"])
@pytest.mark.parametrize(("folder", "name"), STORED)
def test_a_damaged_newest_generation_gives_way_to_the_one_before(
    folder: str, name: str, how: str, copy: Path
) -> None:
    damage(copy / f"state/{folder}/{name}.yaml", how)
    file, said = taken(copy / "state", folder, name)
    assert file == f"{name}.1.yaml"
    assert len(said) == 1 and f"{name}.yaml" in said[0] and f"{name}.1.yaml" in said[0]


def test_damaged_scenes_are_played_as_they_were_before(copy: Path) -> None:
    """The whole rig: each stored scene is that of generation 1, the rest is as usual."""
    rig = copy / "player/case.yaml"
    before = rig_lines(rig)
    for file in TITLES.values():
        damage(copy / f"state/scenes/{file}.yaml")
    after = rig_lines(rig)
    others = [line for line in before if not line.startswith(("scenes.", "warnings"))]
    assert [line for line in others if line not in after] == []
    summary = read_summary()
    for title, file in TITLES.items():
        was = [f"scenes.{title}.{line}" for line in summary[f"file state/scenes/{file}.1.yaml"]]
        assert [line for line in was if line not in after] == []
    now, then = value_of(after, "warnings = "), value_of(before, "warnings = ")
    assert int(now) == int(then) + len(TITLES)


def test_the_first_whole_generation_is_taken_however_far_back(copy: Path) -> None:
    for number in ("", ".1", ".2", ".3"):
        damage(copy / f"state/scenes/slow{number}.yaml")
    assert taken(copy / "state", "scenes", "slow")[0] == "slow.4.yaml"
    for number in ("", ".1", ".2", ".3", ".4", ".5"):
        damage(copy / f"state/scenes/slow{number}.yaml", "empty")
    assert "slow.yaml: empty; no earlier one can be read" in nothing_left(
        copy / "state", "scenes", "slow"
    )


# ---------------------------------------------------------------- a backup


def test_a_backup_is_restored_into_an_empty_folder(
    copy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, check: Check
) -> None:
    """All that was stored is there again, and the profile that was damaged since."""
    empty = tmp_path / "empty"
    said = zerobeat("backup", "--restore", copy / "friday.tar.gz", "--state", empty, state=empty)
    assert "28 files put back" in said
    rig = copy / "player/case.yaml"
    with_damage = rig_lines(rig)
    monkeypatch.setenv("STATE_DIRECTORY", str(empty))
    check("restored generations", generation_lines(empty))
    check("session", session_lines(empty, rig))
    check("learned", bindings_lines(empty))
    restored = rig_lines(rig)
    check("restored horn", [line for line in restored if ".horn." in line])
    others = [line for line in with_damage if ".horn." not in line and "warnings" not in line]
    assert not [line for line in others if line not in restored]


# ---------------------------------------------------------------- a daemon


def test_a_daemon_starts_on_what_0_1_0_left(copy: Path, server: JackServer) -> None:
    """It starts on what 0.1.0 left, plays on, and stores beside it."""
    from kit.daemon_commands import status
    from kit.daemon_commands import zerobeat as ask
    from kit.daemon_process import DaemonProcess
    from kit.jack import MidiRecorder, MidiSender

    state = copy / "state"
    with (
        MidiSender("keys") as keys,
        MidiRecorder("quad") as quad,
        DaemonProcess(copy / "player/case.yaml", server.environment, state=state) as daemon,
    ):
        daemon.wait_for_line("output quad")
        quad.wait_for_silence()
        shown = status(daemon)
        assert (shown["scene"], shown["unsaved"], shown["hold"]) == ("late song", True, "trigger")
        assert (shown["concert_a_hz"], shown["transpose_semitones"]) == (442.25, -2)
        voices = {voice["name"]: voice for voice in shown["voices"]}
        assert [name for name, voice in voices.items() if voice["bypass"]] == ["bass"]
        assert voices["reed"]["touch_up"]["offset_cents"] == 1.75
        before = len(quad.heard)
        keys.send(bytes((0x90, 60, 100)))
        keys.send(bytes((0x80, 60, 64)))
        time.sleep(0.1)
        quad.wait_for_silence()
        struck = [content for _, content in quad.heard[before:] if content[0] & 0xF0 == 0x90]
        assert {content[0] & 0x0F for content in struck} == {0, 1}  # reed and horn, on solo
        ask(daemon, "store")
        assert daemon.stop() == 0
    assert taken(state, "scenes", "late song") == ("late song.yaml", ())
    kept = (state / "scenes/late song.1.yaml").read_bytes()
    assert kept == (FOLDER / "state/scenes/late song.yaml").read_bytes()
    assert json.loads((state / "session.json").read_text())["content"]["scene"] == "late song"

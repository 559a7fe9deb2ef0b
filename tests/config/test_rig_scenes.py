"""A scene that comes with zerobeat, named by a rig that lacks what it plays."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from zerobeat.config.file_lookup import SHIPPED
from zerobeat.errors import ConfigError
from zerobeat.state.state_directory import load_rig

RIG = """\
inputs: {keys: {port: "Stage Keys:Stage Keys MIDI 1"}}
converters: {quad: {port: "quad:quad MIDI 1", converter: {zero_volt_note: 36}}}
voices: {reed: {converter: quad, channel_number: 1}, horn: {converter: quad, channel_number: 2}}
"""


@pytest.fixture
def case(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    folder = tmp_path / "my case"  # a command to copy must stand a blank in a name
    folder.mkdir()
    return folder


def fault(case: Path, more: str) -> str:
    (case / "rig.yaml").write_text(RIG + more)
    with pytest.raises(ConfigError) as caught:
        load_rig(case / "rig.yaml")
    (line,) = caught.value.problems
    return line


@pytest.mark.parametrize(
    ("more", "lacks"),
    [
        ("scene: together", "voice glass, voice bass"),
        ("scenes: [together]", "voice glass, voice bass"),
        ("scenes: [frozen]", "clock (clock_from), voice glass"),
    ],
)
def test_what_the_rig_lacks_is_said_with_the_command_that_helps(
    case: Path, more: str, lacks: str
) -> None:
    line = fault(case, more)
    assert "a scene that comes with zerobeat and is for another case" in line
    assert line.count("this rig has no ") == 1
    assert f"this rig has no {lacks}. Make it yours: " in line


def test_the_command_makes_a_copy_that_goes_before_the_shipped_scene(case: Path) -> None:
    line = fault(case, "scenes: [white-keys, drone]")
    command = line.partition("Make it yours: ")[2].partition(" and write your own")[0]
    assert command.startswith("mkdir ")
    subprocess.run(command, shell=True, check=True)
    copy = case / "scenes" / "drone.yaml"
    assert copy.read_bytes() == (SHIPPED / "scenes" / "drone.yaml").read_bytes()
    # From here on it is the player's file, with the faults of one, each with its line.
    with pytest.raises(ConfigError) as caught:
        load_rig(case / "rig.yaml")
    assert all(str(copy) in one or "drone.yaml:" in one for one in caught.value.problems)
    copy.write_text("title: drone\nall: {scale: dorian, root: D}\n")
    loaded = load_rig(case / "rig.yaml")
    assert [scene.name for scene in loaded.scenes] == ["white keys", "drone"]
    # A second scene: the folder is there now.
    assert "mkdir" not in fault(case, "scenes: [together]")


def test_a_shipped_scene_that_fits_needs_no_copy(case: Path) -> None:
    (case / "rig.yaml").write_text(RIG + "scenes: [white-keys]\n")
    assert [scene.name for scene in load_rig(case / "rig.yaml").scenes] == ["white keys"]

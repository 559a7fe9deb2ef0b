"""The last good rig is kept with all it names; the player's files are only read (C5, C6)."""

import os

import pytest

from zerobeat.errors import StoreError
from zerobeat.state.last_good import keep_last_good, last_good_rig, load_last_good
from zerobeat.state.state_directory import load_rig, own_store

RIG = """\
inputs:
  keys: {port: "Stage Keys:MIDI 1"}
converters:
  quad: {port: "quad:in", converter: {gate_gap_ms: 2}}
voices:
  reed: {converter: quad, channel_number: 1}
scene: slow
"""


@pytest.fixture
def rig(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    (tmp_path / "state").mkdir()
    folder = tmp_path / "rig"
    (folder / "scenes").mkdir(parents=True)
    (folder / "rig.yaml").write_text(RIG)
    (folder / "scenes" / "slow.yaml").write_text("hold: note\nall: {detune_cents: 3}\n")
    return folder / "rig.yaml"


def keep(rig):
    return keep_last_good(own_store().directory, rig, load_rig(rig).files_read)


def test_what_was_kept_plays_when_rig_and_scene_are_broken(rig):
    assert last_good_rig(own_store().directory) is None and load_last_good(own_store()) is None
    before = load_rig(rig)
    assert keep(rig)
    rig.write_text("nonsense: 1\n")
    (rig.parent / "scenes" / "slow.yaml").write_text("hold: [\n")
    kept = load_last_good(own_store())
    assert kept.rig == before.rig and kept.scenes == before.scenes
    assert last_good_rig(own_store().directory).name == "rig.last-good.yaml"
    assert rig.read_text() == "nonsense: 1\n"


def test_the_same_rig_is_not_written_again(rig):
    assert keep(rig)
    at = last_good_rig(own_store().directory).stat()
    assert not keep(rig)
    assert last_good_rig(own_store().directory).stat().st_ino == at.st_ino
    (rig.parent / "scenes" / "slow.yaml").write_text("hold: none\n")
    assert keep(rig)
    assert load_last_good(own_store()).scenes[0].hold == "none"


def test_a_cut_between_the_two_renames_leaves_the_old_set(rig, tmp_path):
    keep(rig)
    os.rename(tmp_path / "state" / "last-good", tmp_path / "state" / "last-good.old")
    (tmp_path / "state" / "last-good.new").mkdir()
    assert load_last_good(own_store()) is not None
    assert keep(rig)
    assert {p.name for p in (tmp_path / "state").iterdir()} == {"last-good"}


def test_a_disk_that_refuses_is_one_line(rig, tmp_path):
    (tmp_path / "state" / "last-good.new").write_text("a file where a folder must be")
    with pytest.raises(StoreError, match="the last good rig can't be kept: .*; playing goes on"):
        keep(rig)

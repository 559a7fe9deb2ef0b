"""One rule for every file that a command writes: what is there stays, unless --force."""

from __future__ import annotations

import shutil
from pathlib import Path

import mido
import pytest

from zerobeat.cli import main

RIG = """
inputs: {keys: {port: "Stage Keys:Stage Keys MIDI 1"}}
converters: {quad: {port: "quad:quad MIDI 1", converter: {zero_volt_note: 36}}}
voices: {reed: {converter: quad, channel_number: 1, lowest_note: 36, highest_note: 84}}
"""
COMMANDS = {
    "init": (["init", "out.file"], b"# yaml-language-server: $schema=file:"),
    "render": (["render", "in.mid", "out.file"], b"MThd"),
    "report": (["report", "reed", "--out", "out.file"], b"<!doctype html>"),
    "backup": (["backup", "out.file"], b"\x1f\x8b"),
    "measure": (["measure", "reed", "--readings", "reed.txt", "--out", "out.file"], b"voice: reed"),
    "volts": (["measure", "quad", "--volts", "quad.txt", "--out", "out.file"], b"channels:"),
}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.yaml").write_text(RIG)
    (tmp_path / "reed.txt").write_text("C2 1\nC3 2\nC4 3\nC6 1\n")
    (tmp_path / "quad.txt").write_text("1 C2 0\n1 C3 1\n1 C4 2\n")
    (tmp_path / "profiles").mkdir()
    profile = "readings: [{note: C2, cents: 1}, {note: C4, cents: 2}]\n"
    (tmp_path / "profiles" / "reed.yaml").write_text(profile)
    shutil.copytree(tmp_path / "profiles", tmp_path / "state" / "profiles")
    song = mido.MidiFile()
    song.tracks.append(mido.MidiTrack([mido.Message("note_on", note=60, time=0)]))
    song.save(tmp_path / "in.mid")
    return tmp_path


@pytest.mark.parametrize("name", COMMANDS)
def test_a_file_that_is_there_is_left_alone_unless_forced(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    arguments, start = COMMANDS[name]
    if name == "report":
        pytest.importorskip("matplotlib")
    out = folder / "out.file"
    out.write_bytes(b"mine")
    assert main(arguments) == 1
    text = "out.file: found there already, left as it is; name another, or write over it"
    assert capsys.readouterr().err == f"{text} with --force\n"
    assert out.read_bytes() == b"mine"
    assert main([*arguments, "--force"]) == 0, capsys.readouterr().err
    assert out.read_bytes().startswith(start)
    out.unlink()
    out.symlink_to("nowhere")  # what it stands for is not written either
    assert main(arguments) == 1
    assert not (folder / "nowhere").exists()


def test_a_song_is_never_rendered_over_itself(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (folder / "in.mid").read_bytes()
    assert main(["render", "in.mid", "in.mid", "--force"]) == 1
    assert "is the file to be read" in capsys.readouterr().err
    assert (folder / "in.mid").read_bytes() == before

"""Files at the rim of what is allowed cost one clear line and little time (C2, C3)."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import mido
import pytest

RIG = """\
inputs: {keys: {port: "keys:out"}}
converters: {octo: {port: "octo:in", converter: {gate_gap_ms: 2}}}
voices: {v1: {converter: octo, channel_number: 1}}
"""


def zerobeat(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = dict(os.environ) | {
        "STATE_DIRECTORY": str(folder / "state"),
        "XDG_RUNTIME_DIR": str(folder),
    }
    return subprocess.run(
        [sys.executable, "-m", "zerobeat", *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=20,
    )


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "rig.yaml").write_text(RIG)
    return tmp_path


def write_song(folder: Path, tempo: int, length_ticks: int) -> None:
    file = mido.MidiFile(ticks_per_beat=1)
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=tempo))
    track.append(mido.Message("note_on", note=60, time=length_ticks))
    track.append(mido.Message("note_off", note=60, time=1))
    file.tracks.append(track)
    file.save(folder / "in.mid")


@pytest.mark.parametrize(
    ("tempo", "length_ticks", "clock", "why"),
    [
        (0, 10, False, "found a tempo of 0"),
        (0, 10, True, "found a tempo of 0"),
        (1, 0x0FFFFFFF, True, "found over 20000 quarter notes"),
    ],
)
def test_a_song_without_time_or_without_end(folder, tempo, length_ticks, clock, why):
    if clock:
        (folder / "rig.yaml").write_text(f"{RIG}clock_from: keys\n")
    write_song(folder, tempo, length_ticks)
    done = zerobeat(folder, "render", "--rig", "rig.yaml", "in.mid", "out.mid")
    assert done.returncode == 1 and why in done.stderr
    assert len(done.stderr.splitlines()) == 1 and not (folder / "out.mid").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("render", "--rig", "rig.yaml", "FILE", "out.mid"),
        ("check", "FILE"),
        ("backup", "--restore", "FILE"),
        ("measure", "v1", "--wav", "FILE"),
    ],
    ids=lambda arguments: arguments[0],
)
@pytest.mark.parametrize("kind", ["device", "pipe"])
def test_a_device_or_a_pipe_is_not_read(folder, arguments, kind):
    path = "/dev/zero" if kind == "device" else "pipe.scl"
    if kind == "pipe":
        os.mkfifo(folder / path)
    done = zerobeat(folder, *(path if word == "FILE" else word for word in arguments))
    assert done.returncode != 0 and "found a " in done.stderr
    assert "Traceback" not in done.stderr


def test_forty_thousand_faults_are_fifty_and_a_count(folder):
    items = "\n".join(f"  - voyce{number}" for number in range(20_000))
    (folder / "rig.yaml").write_text(f"{RIG}scenes:\n{items}\n")
    start_s = time.monotonic()
    done = zerobeat(folder, "check", "rig.yaml")
    assert time.monotonic() - start_s < 8.0
    lines = done.stderr.splitlines()
    assert done.returncode == 78 and len(lines) < 60 and len(done.stderr) < 100_000
    assert any(line.startswith("and 19950 more") for line in lines), lines[-3:]


@pytest.mark.parametrize("text", ['"\\ud800"', '"a\\uDFFFb"'])
def test_half_a_character_in_a_file_is_one_clear_line(folder, text):
    (folder / "rig.yaml").write_text(f"{RIG}scene: {{title: {text}}}\n")
    done = zerobeat(folder, "check", "rig.yaml")
    assert done.returncode == 78 and "found half a character; allowed: Unicode" in done.stderr

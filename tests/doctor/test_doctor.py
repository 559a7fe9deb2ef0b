"""``zerobeat doctor``: what is wrong and what to do, by status, line and JSON (M5, M23, S2)."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from kit.daemon_process import write_rig
from zerobeat.doctor import midi_checks as doctor_midi
from zerobeat.ports.patch import SEQUENCER
from zerobeat.ports.port_name import PortName
from zerobeat.state.state_directory import load_rig

HERE_WITHOUT_ALSA = not SEQUENCER.exists()


def doctor(*arguments, cwd=None):
    command = [sys.executable, "-m", "zerobeat", "doctor", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd)


@pytest.mark.skipif(not HERE_WITHOUT_ALSA, reason="this machine has an ALSA sequencer")
def test_a_machine_without_a_sequencer_is_told_so(tmp_path):
    done = doctor(write_rig(tmp_path))
    assert done.returncode == 1 and done.stderr == ""
    assert (
        "fault    sequencer: no ALSA sequencer (/dev/snd/seq is missing), so no port" in done.stdout
    )
    assert "-> sudo modprobe snd-seq" in done.stdout


def test_json_says_the_same(tmp_path):
    done = doctor("--json", write_rig(tmp_path))
    shown = json.loads(done.stdout)
    assert shown["ok"] == (done.returncode == 0)
    for finding in shown["findings"]:
        assert set(finding) == {"level", "about", "text", "remedy"}
        assert finding["remedy"] or finding["level"] not in ("fault", "warning"), finding


def test_a_broken_rig_is_a_fault_with_file_and_line(tmp_path):
    (tmp_path / "rig.yaml").write_text("inputs: 5\n")
    done = doctor(cwd=tmp_path)  # the default: rig.yaml here
    assert done.returncode == 1
    assert "fault    rig: rig.yaml:1: inputs: found 5" in done.stdout
    assert "-> zerobeat check rig.yaml" in done.stdout


def port(name, *identity, direction="in"):
    client, _, rest = name.partition(":")
    return PortName(client, rest, direction, identity)


@pytest.fixture
def rig(tmp_path: Path):
    return load_rig(write_rig(tmp_path, keys="Stage Keys:MIDI 1", octo="octo:in")).rig


def test_ports_named_but_missing(rig):
    keys, octo = doctor_midi.ports(rig, [port("Stage Keys:MIDI 1")])
    assert (keys.level, octo.level) == ("ok", "fault")
    assert octo.text == '"octo:in" is not there' and "zerobeat ports" in octo.remedy


def test_two_devices_of_one_name(rig):
    there = [port("Stage Keys:MIDI 1", "usb 1-1"), port("Stage Keys:MIDI 1", "usb 1-2")]
    there.append(port("octo:in", direction="out"))
    keys, octo = doctor_midi.ports(rig, there)
    assert keys.level == "fault" and '"Stage Keys:MIDI 1 [usb 1-2]"' in keys.text
    assert octo.level == "ok"
    told = list(doctor_midi.ports(None, there))
    assert [f.level for f in told] == ["note"] and '"Stage Keys:MIDI 1"' in told[0].text


# Linux, Documentation/ABI/stable/sysfs-bus-usb, and the class codes of USB audio.
def test_usb_midi_that_the_sequencer_does_not_show(tmp_path):
    for folder, kind in (("1-1:1.1", "03"), ("1-1:1.0", "01")):
        place = tmp_path / "sys/bus/usb/devices" / folder
        place.mkdir(parents=True)
        (place / "bInterfaceClass").write_text("01\n")
        (place / "bInterfaceSubClass").write_text(f"{kind}\n")
    (finding,) = doctor_midi.hardware([port("Midi Through:0")], tmp_path)
    assert (finding.level, finding.about) == ("fault", "sequencer module")
    assert "USB MIDI present (1-1:1.1), but no sequencer port" in finding.text
    assert "modprobe snd-seq-midi" in finding.remedy
    (finding,) = doctor_midi.hardware([port("Keys:1", "serial 1", "usb 1-1")], tmp_path)
    assert finding.level == "ok"

"""What ``doctor`` says of a machine's files, laid out as kernels lay them (S8, S11, M24)."""

import os
import subprocess
import sys

import pytest

from zerobeat.doctor import machine_checks as machine


def put(root, path, text):
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)


# Raspberry Pi documentation, "vcgencmd", get_throttled: the meaning of each bit.
@pytest.mark.parametrize(
    ("bits", "level", "words"),
    [
        ("0", "ok", "no undervoltage"),
        ("1", "fault", "undervoltage now"),
        ("50005", "fault", "undervoltage, throttling now"),
        ("50000", "warning", "undervoltage, throttling since"),
        ("80000", "warning", "temperature limit"),
    ],
)
def test_the_boards_word_on_its_power(tmp_path, bits, level, words):
    put(tmp_path, "sys/devices/platform/soc/soc:firmware/get_throttled", f"{bits}\n")
    (finding,) = machine.power(tmp_path)
    assert finding.level == level and words in finding.text
    assert bool(finding.remedy) == (level != "ok")


def test_the_kernels_undervoltage_alarm(tmp_path):
    put(tmp_path, "sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    assert [f.level for f in machine.power(tmp_path)] == ["fault"]


def test_a_machine_that_tells_nothing_has_no_fault(tmp_path):
    assert list(machine.power(tmp_path)) == []
    assert list(machine.temperature(tmp_path)) == []
    assert list(machine.governor(tmp_path)) == []
    assert list(machine.board(tmp_path)) == []


@pytest.mark.parametrize(
    ("now", "offered", "level"),
    [
        ("performance", "powersave performance", "ok"),
        ("ondemand", "ondemand performance", "note"),
        ("powersave", "powersave performance", "warning"),
        (
            "powersave",
            "powersave",
            "ok",
        ),  # nothing better to be had: no advice that can't be followed
    ],
)
def test_the_governor_is_told_and_changed_by_nobody(tmp_path, now, offered, level):
    put(tmp_path, "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor", f"{now}\n")
    put(tmp_path, "sys/devices/system/cpu/cpu0/cpufreq/scaling_available_governors", f"{offered}\n")
    (finding,) = machine.governor(tmp_path)
    assert finding.level == level and now in finding.text


@pytest.mark.parametrize(
    ("model", "cmdline", "mounts", "level", "words"),
    [
        ("Raspberry Pi 3 Model B\0", "quiet", "", "warning", "loses MIDI bytes"),
        ("Raspberry Pi Zero W Rev 1.1\0", "quiet", "", "warning", "loses MIDI bytes"),
        ("Raspberry Pi 3 Model B\0", "dwc_otg.nak_holdoff=0 quiet", "", "ok", "Pi 3"),
        ("Raspberry Pi 4 Model B\0", "", "/dev/sda2 / ext4 rw 0 0", "warning", "reset the USB bus"),
        ("Raspberry Pi 4 Model B\0", "", "/dev/mmcblk0p2 / ext4 rw 0 0", "ok", "Pi 4"),
        ("Raspberry Pi 5 Model B\0", "", "", "note", "panic"),
    ],
)
def test_the_boards_advice(tmp_path, model, cmdline, mounts, level, words):
    for path, text in (("device-tree/model", model), ("cmdline", cmdline), ("mounts", mounts)):
        put(tmp_path, f"proc/{path}", text)
    (finding,) = machine.board(tmp_path)
    assert finding.level == level and words in finding.text


def test_heat(tmp_path):
    put(tmp_path, "sys/class/thermal/thermal_zone0/temp", "84200\n")
    (finding,) = machine.temperature(tmp_path)
    assert (finding.level, finding.text[:12]) == ("warning", "84 degrees C")


def can_mount():
    done = subprocess.run(["unshare", "-m", "true"], capture_output=True)
    return os.getuid() == 0 and done.returncode == 0


@pytest.mark.skipif(not can_mount(), reason="needs root and mount name spaces")
@pytest.mark.parametrize(
    ("spoil", "words"),
    [("head -c 2M /dev/zero >{0}/filler", "is full"), ("mount -o remount,ro {0}", "read-only")],
)
def test_a_real_disk_that_is_full_or_read_only(tmp_path, spoil, words):
    (tmp_path / "state").mkdir()
    state = tmp_path / "state"
    code = (
        "from pathlib import Path; from zerobeat.doctor.machine_checks import disk\n"
        f"for f in disk(Path({str(state)!r}) / 'scenes'): print(f.level, f.text, f.remedy)"
    )
    line = (
        f"mount -t tmpfs -o size=20m none {state} && head -c 19M /dev/zero >{state}/much; "
        f'{spoil.format(state)}; exec {sys.executable} -c "$0"'
    )
    done = subprocess.run(["unshare", "-m", "sh", "-c", line, code], capture_output=True, text=True)
    assert done.stdout.startswith("fault ") and words in done.stdout, done


def test_a_disk_with_room_is_fine(tmp_path):
    (finding,) = machine.disk(tmp_path / "not" / "made" / "yet")
    assert finding.level == "ok"

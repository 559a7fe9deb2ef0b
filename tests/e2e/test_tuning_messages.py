"""A tuning from a computer, through real ports to the converter, and kept as files."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from kit.tuning_messages import MEANTONE, bulk
from zerobeat.tuning.scala import read_kbm, read_scl

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
PITCHES = [max(0.0, 100.0 * key + MEANTONE[key % 12]) for key in range(128)]


def sounding(octo: MidiRecorder) -> set[tuple[int, int]]:
    return open_notes([content for _, content in octo.heard])


def zerobeat(daemon: DaemonProcess, *arguments: str, expect: int = 0) -> str:
    done = subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True
    )
    assert done.returncode == expect, done.stderr
    return done.stdout + done.stderr


def test_a_dump_is_played_and_kept_and_a_damaged_one_is_counted(
    server: JackServer, tmp_path: Path
) -> None:
    path = write_rig(tmp_path, voices=2, more="tuning_from: keys\n")
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(path, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        assert "neither" in zerobeat(daemon, "scales", "--save", "x", "--voice", "v1", expect=1)
        dump = bulk(PITCHES, name="QUARTER COMMA")
        keys.send([*dump[:-2], 1, 0xF7])
        keys.send(list(dump))
        wait_until(lambda: "QUARTER COMMA" in zerobeat(daemon, "status", "--json"))
        keys.send([0x90, 64, 100])
        wait_until(lambda: len(sounding(octo)) == 2)
        shown = json.loads(zerobeat(daemon, "status", "--json"))
        assert shown["dropped"]["tuning message, wrong checksum"] == 1
        for voice in shown["voices"]:
            assert voice["sounding_cents"] == pytest.approx(6400 + MEANTONE[4], abs=0.004)
        said = zerobeat(daemon, "scales", "--save", "church")
        assert "church.scl" in said
        assert "left as it is" in zerobeat(daemon, "scales", "--save", "church", expect=1)
        keys.send([0x80, 64, 0])
        wait_until(lambda: not sounding(octo))
        assert daemon.stop() == 0
    scale = read_scl(tmp_path / "scales" / "church.scl")
    keyboard_map = read_kbm(tmp_path / "scales" / "church.kbm", scale)
    assert keyboard_map.pitches_cents == pytest.approx(PITCHES, abs=0.004)


def test_scales_lists_the_built_in_ones_without_a_daemon() -> None:
    done = subprocess.run([*ZEROBEAT, "scales", "--names"], capture_output=True, text=True)
    assert done.returncode == 0
    assert {"dorian", "rast", "bohlen-pierce just"} <= set(done.stdout.splitlines())


@pytest.mark.parametrize("stored", [True, False])
def test_what_arrived_is_there_after_a_restart(
    server: JackServer, tmp_path: Path, stored: bool
) -> None:
    path = write_rig(tmp_path, voices=1, more="tuning_from: keys\n")
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(path, server.environment) as daemon,
    ):
        plays = "connected: input keys, output octo"
        daemon.wait_for_line(plays)
        keys.send(list(bulk(PITCHES, name="QUARTER COMMA")))
        wait_until(lambda: "QUARTER COMMA" in zerobeat(daemon, "status", "--json"))
        if stored:
            zerobeat(daemon, "store", "church")
        assert daemon.stop() == 0
        daemon.start()
        daemon.wait_for_line(plays)
        if stored:
            zerobeat(daemon, "recall", "church")
        keys.send([0x90, 64, 100])
        wait_until(lambda: len(sounding(octo)) == 1)
        voice = json.loads(zerobeat(daemon, "status", "--json"))["voices"][0]
        assert voice["sounding_cents"] == pytest.approx(6400 + MEANTONE[4], abs=0.004)
        assert voice["scale"] == "QUARTER COMMA"
        keys.send([0x80, 64, 0])
        wait_until(lambda: not sounding(octo))

"""What the service's unit leans on: the stop helper and a start on a broken rig (N12, S5, C6)."""

import subprocess
import sys

import pytest

from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.ports.mirror import MIRROR_FILE, read_left, read_outputs, write_outputs

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

ON = bytes.fromhex("903c64")


def helper(daemon):
    """Run the stop helper as the unit does."""
    command = [sys.executable, "-m", "zerobeat.release"]
    return subprocess.run(
        command, env=daemon.environment, capture_output=True, text=True, timeout=30
    )


def sounding(daemon):
    return read_left(daemon.folder / "zerobeat" / MIRROR_FILE)


def connected(daemon, port):
    """True once the journal says so, at the start or later."""
    return any(
        f"{port}: connected" in line
        or ("; connected: " in line and port in line.partition("; waiting")[0])
        for line in daemon.lines()
    )


def test_the_stop_helper_releases_what_a_killed_daemon_left(tmp_path, loose_server):
    with (
        MidiRecorder("octo") as octo,
        MidiSender("keys") as keys,
        DaemonProcess(write_rig(tmp_path), loose_server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        keys.send(ON)
        wait_until(lambda: sum(c[0] & 0xF0 == 0x90 for _, c in octo.heard) == 8)
        busy = helper(daemon)
        assert busy.returncode == 1 and "zerobeat plays already" in busy.stderr
        daemon.kill()
        assert len(sounding(daemon)["octo"]) == 8
        done = helper(daemon)
        assert (done.returncode, done.stderr) == (0, "released 8 notes that sounded still\n")
        wait_until(lambda: not open_notes([c for _, c in octo.heard]))
        assert sounding(daemon) == {}
        again = helper(daemon)
        assert (again.returncode, again.stderr) == (0, "")


def test_marks_of_a_converter_that_is_away_wait_for_the_next_start(tmp_path, loose_server):
    with DaemonProcess(write_rig(tmp_path), loose_server.environment) as daemon:
        with MidiRecorder("octo") as octo, MidiSender("keys") as keys:
            for port in ("input keys", "output octo"):
                wait_until(lambda port=port: connected(daemon, port))
            keys.send(ON)
            wait_until(lambda: sum(c[0] & 0xF0 == 0x90 for _, c in octo.heard) == 8)
            daemon.kill()
        done = helper(daemon)
        assert done.stderr == "8 notes wait for their output to come back\n"
        assert len(sounding(daemon)["octo"]) == 8


def test_a_broken_rig_at_the_start_plays_the_last_good_one(tmp_path, loose_server):
    rig = write_rig(tmp_path)
    with DaemonProcess(rig, loose_server.environment, ["--or-last-good"]) as daemon:
        daemon.wait_for_line("zerobeat plays")
        assert daemon.stop() == 0
        good = rig.read_text()
        rig.write_text(good + "nonsense: 1\n")
        daemon.start()
        line = daemon.wait_for_line("is broken: playing")
        assert "rig.last-good.yaml, the last that was not" in line and "plays 8 voices" in line
        assert any("nonsense" in line and f"{rig}:" in line for line in daemon.lines())
        assert daemon.stop() == 0


def test_without_the_option_a_broken_rig_is_refused(tmp_path, loose_server):
    rig = write_rig(tmp_path, more="nonsense: 1\n")
    with DaemonProcess(rig, loose_server.environment) as daemon:
        assert daemon.wait() == 78


def test_outputs_are_kept_beside_the_mirror(tmp_path):
    assert read_outputs(tmp_path) == []
    write_outputs(tmp_path, [("quad", "quad:in", False), ("octo", "octo*", True)])
    assert read_outputs(tmp_path) == [("quad", "quad:in", False), ("octo", "octo*", True)]
    (tmp_path / "outputs").write_text("{")
    assert read_outputs(tmp_path) == []

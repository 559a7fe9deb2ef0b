"""State belongs to a rig by its name, as a player meets it: with ``run`` and ``state``."""

import json
import os
import subprocess
from pathlib import Path

import pytest

from kit.daemon_commands import ask, status, write_scenes, zerobeat
from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import JackServer, jack_is_installed
from zerobeat.client.daemon_client import Client

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


@pytest.fixture(scope="module")
def server():
    with JackServer(period_frames=256, synchronous=False) as server:
        yield server


def rig_of(folder: Path, name: str | None, voices: str = "v") -> Path:
    folder.mkdir()
    path = write_scenes(folder)
    text = path.read_text().replace("  v", f"  {voices}")
    path.write_text(text if name is None else f"name: {name}\n{text}")
    return path


def leave_a_session(daemon: DaemonProcess, voice: str = "v1") -> None:
    daemon.wait_for_line("zerobeat plays")
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("touch_up", voice=voice, offset_cents=1.5)
    zerobeat(daemon, "set", "tonight", "transpose_semitones", "-3")
    zerobeat(daemon, "store", "mine")


def test_two_cases_share_a_disk_and_not_their_scenes_and_a_moved_rig_keeps_its_own(
    server, tmp_path
):
    state = tmp_path / "state"
    first = rig_of(tmp_path / "a", "first case")
    with DaemonProcess(first, server.environment, state=state) as daemon:
        leave_a_session(daemon)
    with DaemonProcess(rig_of(tmp_path / "b", "other"), server.environment, state=state) as daemon:
        daemon.wait_for_line("zerobeat plays")
        assert "mine" not in status(daemon)["scenes"]
        assert status(daemon)["transpose_semitones"] == 0
        offer = daemon.wait_for_line("nothing is kept of a rig named other yet")
        assert offer.endswith("kept here: first case (adopt: zerobeat state --adopt NAME)")
    (tmp_path / "a").rename(tmp_path / "moved")
    with DaemonProcess(tmp_path / "moved/rig.yaml", server.environment, state=state) as daemon:
        daemon.wait_for_line("zerobeat plays")
        assert "mine" in status(daemon)["scenes"]
        assert status(daemon)["transpose_semitones"] == -3
        assert status(daemon)["state_directory"] == str(state / "rigs/first case")


def test_what_was_kept_without_a_name_goes_with_the_rig_that_its_session_names(server, tmp_path):
    state = tmp_path / "state"
    path = rig_of(tmp_path / "a", None)
    with DaemonProcess(path, server.environment, state=state) as daemon:
        leave_a_session(daemon)
        assert status(daemon)["state_directory"] == str(state)
    stranger = rig_of(tmp_path / "b", "stranger", voices="w")
    with DaemonProcess(stranger, server.environment, state=state) as daemon:
        daemon.wait_for_line("kept here: unnamed (adopt: zerobeat state --adopt NAME)")
        daemon.wait_for_line("zerobeat plays")
        assert "mine" not in status(daemon)["scenes"]
    path.write_text("name: gig\n" + path.read_text())
    with DaemonProcess(path, server.environment, state=state) as daemon:
        daemon.wait_for_line("the settings kept so far go with the name gig")
        daemon.wait_for_line("zerobeat plays")
        assert "mine" in status(daemon)["scenes"]
        assert status(daemon)["transpose_semitones"] == -3
    assert not (state / "session.json").exists() and not (state / "scenes").exists()


def test_a_rig_adopts_what_is_kept_under_another_name(server, tmp_path):
    state = tmp_path / "state"
    first = rig_of(tmp_path / "a", "first")
    with DaemonProcess(first, server.environment, state=state) as daemon:
        leave_a_session(daemon)
        refused = ask(daemon, "state", "--adopt", "first", str(first))
        assert refused.returncode == 1 and "plays" in refused.stderr
    renamed = tmp_path / "a/rig.yaml"
    renamed.write_text(renamed.read_text().replace("name: first", "name: second"))
    with DaemonProcess(renamed, server.environment, state=state) as daemon:
        daemon.wait_for_line("kept here: first (adopt: zerobeat state --adopt NAME)")
        daemon.wait_for_line("zerobeat plays")
        zerobeat(daemon, "set", "tonight", "concert_a_hz", "450")
        assert daemon.stop() == 0
        assert zerobeat(daemon, "state") == f"kept in {state}: first, second\n"
        wrong = ask(daemon, "state", "--adopt", "third", str(renamed))
        assert wrong.stderr == "state: found third; allowed: first, second\n"
        said = zerobeat(daemon, "state", "--adopt", "first", str(renamed))
        assert said == f"second has what was kept under first: {state / 'rigs/second'}\n"
        daemon.start()
        daemon.wait_for_line("zerobeat plays")
        assert "mine" in status(daemon)["scenes"]
    aside = state / "before-adopt/second 1/session.json"
    assert json.loads(aside.read_text())["content"]["tonight"]["concert_a_hz"] == 450.0


@pytest.mark.parametrize("keeps_its_name", [True, False])
def test_a_broken_rig_still_finds_its_state(server, tmp_path, keeps_its_name):
    state = tmp_path / "state"
    path = rig_of(tmp_path / "a", "gig")
    arguments = ("--or-last-good",)
    with DaemonProcess(path, server.environment, arguments, state=state) as daemon:
        leave_a_session(daemon)
        assert daemon.stop() == 0
        path.write_text(("name: gig\n" if keeps_its_name else "") + "inputs: [\n")
        daemon.start()
        daemon.wait_for_line("is broken: playing")
        daemon.wait_for_line("zerobeat plays")
        assert "mine" in status(daemon)["scenes"]
        assert status(daemon)["transpose_semitones"] == -3


@pytest.mark.parametrize("device", ["/dev/zero", "fifo"])
def test_a_rig_that_is_no_file_is_refused_at_once(tmp_path, device):
    os.mkfifo(tmp_path / "fifo")
    environment = dict(os.environ) | {"STATE_DIRECTORY": str(tmp_path / "state")}
    done = subprocess.run(
        [*ZEROBEAT, "run", device],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=20,
    )
    assert done.returncode == 78
    assert "found a pipe, socket or device; allowed: an ordinary file" in done.stderr

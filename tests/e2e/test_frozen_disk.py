"""A disk that does not answer: no note waits for it (S9), and a store is answered when it does.

A frozen file system keeps every writer waiting, as a failing card does.
"""

import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit.daemon_commands import ready, status, strike, write_scenes, zerobeat
from kit.daemon_process import DaemonProcess, open_notes
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.config.scene_file import load_scene
from zerobeat.runtime.persistence import MOST_JOBS
from zerobeat.state.store import Store

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


class FrozenDisk:
    """A small file system of its own that can be frozen."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.frozen = False

    def freeze(self) -> None:
        subprocess.run(["fsfreeze", "-f", str(self.folder)], check=True)
        self.frozen = True

    def thaw(self) -> None:
        if self.frozen:
            subprocess.run(["fsfreeze", "-u", str(self.folder)], check=True)
            self.frozen = False


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[FrozenDisk]:
    if os.getuid() != 0 or not shutil.which("fsfreeze") or not shutil.which("mkfs.ext4"):
        pytest.skip("needs root, fsfreeze and mkfs.ext4, to freeze a file system")
    image = tmp_path / "image"
    image.write_bytes(b"")
    os.truncate(image, 8_000_000)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    folder = Path(tempfile.mkdtemp(prefix="zb"))
    done = subprocess.run(["mount", "-o", "loop", str(image), str(folder)], capture_output=True)
    if done.returncode != 0:
        folder.rmdir()
        pytest.skip(f"no image can be mounted here: {done.stderr.decode().strip()}")
    disk = FrozenDisk(folder)
    yield disk
    disk.thaw()
    subprocess.run(["umount", str(folder)], check=True)
    folder.rmdir()


def test_no_note_and_no_command_waits_for_a_disk_that_does_not_answer(disk, tmp_path):
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(
            write_scenes(tmp_path), server.environment, state=disk.folder / "state"
        ) as daemon,
    ):
        ready(daemon, octo)
        zerobeat(daemon, "store")
        disk.freeze()
        try:
            with Client(daemon.folder / "zerobeat/control") as client:
                client.ask("hold", hold="none")
                for number in range(MOST_JOBS + 4):
                    client.send("set", voice="v1", changes={"semitones": number})
                    client.send("store")
                refused: list[str] = []
                stored: list[str] = []
                wait_until(lambda: len(gather(client, refused, stored)[0]) >= 4)
                assert status(daemon)["unsaved"]
                for _ in range(8):
                    assert strike(keys, octo) == [60 + MOST_JOBS + 3, 60]
                gather(client, refused, stored)
                assert len(refused) in (4, 5) and not stored  # the session may wait there too
                assert all("stores wait for the disk; try again" in error for error in refused)
                disk.thaw()
                wait_until(lambda: sum(map(len, gather(client, refused, stored))) == MOST_JOBS + 4)
            newest = load_scene(Store(disk.folder / "state").load("scenes", "plain").path)
            assert newest.of("v1").semitones == len(stored) - 1
        finally:
            disk.thaw()
        assert daemon.stop() == 0


def gather(client: Client, refused: list[str], stored: list[str]) -> tuple[list[str], list[str]]:
    """Add what has been answered to stores, and return it."""
    client.hear()
    for answer in client.answers():
        if not answer["ok"]:
            refused.append(answer["error"])
        elif "file" in answer:
            stored.append(answer["file"])
    return refused, stored


def test_a_stop_releases_every_note_before_it_waits_for_the_disk(disk, tmp_path):
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(
            write_scenes(tmp_path), server.environment, state=disk.folder / "state"
        ) as daemon,
    ):
        ready(daemon, octo)
        keys.send(bytes((0x90, 60, 100)))
        octo.wait_for_silence()
        disk.freeze()
        try:
            zerobeat(daemon, "set", "v1", "semitones", "1")
            daemon.send(signal.SIGTERM)
            wait_until(lambda: open_notes(content for _, content in octo.heard) == set())
            assert not daemon.ended()  # it waits for what it has to store
        finally:
            disk.thaw()
        assert daemon.wait() == 0
        daemon.start()
        ready(daemon, octo)
        assert status(daemon)["unsaved"]

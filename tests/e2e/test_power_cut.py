"""A power cut right after an act: a restart comes back to it.

SIGKILL stands for the cut: what is in session.json then is all that is left.
"""

import json
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from kit.daemon_commands import kill_and_start, status, write_scenes, zerobeat
from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
PATIENCE_S = 0.5  # 50 ms, and what a busy machine adds
BOARD = """\
title: Four Feet
bindings:
  - {controller: 80, action: next}
  - {controller: 84, action: bypass, kind: toggle}
  - {controller: 7, action: set, setting: detune_cents, highest: 50, kind: follow, pick_up: false}
"""


def rig_with_feet(folder: Path) -> Path:
    (folder / "pedalboards").mkdir()
    (folder / "pedalboards/four-feet.yaml").write_text(BOARD)
    path = write_scenes(folder)
    feet = '  feet: {port: "feet:out", pedalboard: four-feet}\n'
    path.write_text(path.read_text().replace("converters:\n", feet + "converters:\n", 1))
    return path


def cut_and_start(daemon: DaemonProcess, server: JackServer) -> dict:
    kill_and_start(daemon, server)
    daemon.wait_for_line("zerobeat plays")
    return status(daemon)


ACTS: list[tuple[str, dict, Callable[[dict], bool]]] = [
    ("recall", {"scene": "fifth"}, lambda s: s["scene"] == "fifth"),
    ("set", {"voice": "v1", "changes": {"semitones": 3}}, lambda s: s["unsaved"]),
    ("mute", {"voice": "v1"}, lambda s: s["voices"][0]["mute"]),
    ("tonight", {"transpose_semitones": -5}, lambda s: s["transpose_semitones"] == -5),
    ("hold", {"hold": "trigger"}, lambda s: s["hold"] == "trigger"),
    ("bypass", {"voice": "v2"}, lambda s: s["voices"][1]["bypass"]),
    ("store", {}, lambda s: not s["unsaved"] and s["scene"] == "fifth"),
]


def test_each_act_is_back_after_a_cut_half_a_second_later(tmp_path):
    """Not one act alone: each comes just after another, when the last write is fresh."""
    with (
        JackServer(period_frames=256, synchronous=False) as server,
        DaemonProcess(write_scenes(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("zerobeat plays")
        for command, values, is_back in ACTS:
            with Client(daemon.folder / "zerobeat/control") as client:
                client.ask("tonight", concert_a_hz=441.0)
                client.ask("tonight", concert_a_hz=442.0)
                time.sleep(0.1)
                client.ask(command, **values)
            time.sleep(PATIENCE_S)
            shown = cut_and_start(daemon, server)
            assert is_back(shown), command


def test_a_moving_pedal_is_written_when_it_rests_and_a_press_meanwhile_at_once(tmp_path):
    with (
        JackServer(period_frames=256, synchronous=False) as server,
        MidiSender("feet") as feet,
        DaemonProcess(rig_with_feet(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("input feet")
        session = daemon.folder / "state/session.json"
        zerobeat(daemon, "bypass", "v1")
        wait_until(session.exists)
        time.sleep(PATIENCE_S)
        writes = []
        for step in range(30):  # 1.5 s of moving
            feet.send(bytes((0xB0, 7, step)))
            time.sleep(0.05)
            writes.append(session.stat().st_ino)
        assert len(set(writes)) <= 2, "written while it moved"
        wait_until(lambda: '"detune_cents": 11.4' in session.read_text(), 3.0)
        for step in range(20):
            feet.send(bytes((0xB0, 7, 50 + step)))
            if step == 5:
                feet.send(bytes((0xB0, 84, 127)))
            time.sleep(0.05)
        shown = cut_and_start(daemon, server)
        assert [voice["bypass"] for voice in shown["voices"]] == [True, True]


@pytest.mark.skipif(not shutil.which("strace"), reason="strace is not installed")
def test_a_slow_card_is_said_and_written_every_2_s(tmp_path):
    """Each fsync takes half a second, as a worn card's does."""
    slow = ("strace", "-D", "-f", "--seccomp-bpf", "-o", "/dev/null", "-e", "trace=fsync", "-e")
    slow = (*slow, "inject=fsync:delay_enter=500000")
    with (
        JackServer(period_frames=256, synchronous=False) as server,
        DaemonProcess(write_scenes(tmp_path), server.environment, before=slow) as daemon,
    ):
        daemon.wait_for_line("zerobeat plays")
        zerobeat(daemon, "bypass", "v1")
        wait_until(lambda: status(daemon)["store"]["slow"].startswith("slow card: a write took"))
        shown = " ".join(zerobeat(daemon, "status", "--once").split())
        assert "session.json is written every 2 s" in shown
        session = daemon.folder / "state/session.json"
        wait_until(lambda: json.loads(session.read_text())["content"]["tonight"]["bypass"] != [])
        stamps = set()
        with Client(daemon.folder / "zerobeat/control") as client:
            end_s = time.monotonic() + 7.0
            count = 0
            while time.monotonic() < end_s:
                client.ask("tonight", transpose_semitones=count % 12)
                count += 1
                stamps.add(session.stat().st_ino)
                time.sleep(0.05)
        assert 2 <= len(stamps) <= 5

"""``zerobeat run`` on real JACK ports, commanded by the commands a player types."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.errors import CommandError

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
SCENE = "title: {name}\nhold: note\nall: {{semitones: {semitones}}}\n"


def write_case(folder: Path) -> Path:
    (folder / "scenes").mkdir()
    for name, semitones in (("plain", 0), ("fifth", 7)):
        path = folder / f"scenes/{name}.yaml"
        path.write_text(SCENE.format(name=name, semitones=semitones))
    return write_rig(folder, voices=2, more="scenes: [plain, fifth]\n")


def zerobeat(daemon: DaemonProcess, *arguments: str) -> str:
    done = subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_set_recall_and_status_act_on_a_daemon_that_plays(tmp_path):
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        start = len(octo.wait_for(12))  # two bend ranges
        keys.send(b"\x90\x3c\x64")
        octo.wait_for(start + 4)
        assert zerobeat(daemon, "set", "v1", "detune_cents", "50") == (
            "v1: detune_cents waits for the next note\n"
        )
        assert zerobeat(daemon, "recall", "fifth") == "scene fifth waits for the next note\n"
        shown = json.loads(zerobeat(daemon, "status", "--json"))
        assert (shown["scene"], shown["waits"]["name"]) == ("plain", "fifth")
        assert [voice["key"] for voice in shown["voices"]] == [60, 60]
        assert {port["name"]: port["state"] for port in shown["ports"]} == {
            "keys": "connected",
            "octo": "connected",
        }
        keys.send(b"\x80\x3c\x40")
        keys.send(b"\x90\x3e\x64")
        struck = [content for _, content in octo.wait_for_silence() if content[0] & 0xF0 == 0x90]
        assert [content[1] for content in struck] == [60, 60, 69, 69]  # 62 and a fifth above
        wait_until(lambda: json.loads(zerobeat(daemon, "status", "--json"))["scene"] == "fifth")
        assert zerobeat(daemon, "panic") == "every note released\n"
        heard = [content for _, content in octo.wait_for_silence()]
        assert open_notes(heard) == set()
        assert "fifth" in zerobeat(daemon, "status", "--once")
        assert daemon.stop() == 0
        assert not list(daemon.folder.glob("zerobeat/control"))


def test_floods_and_sleepers_cost_no_note(tmp_path):
    """T7: every note comes out, in order, while clients misbehave."""
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        octo.wait_for(12)
        flood = (
            "import socket, sys\n"
            "links = [socket.socket(socket.AF_UNIX) for _ in range(8)]\n"
            "for link in links: link.connect(sys.argv[1]); link.setblocking(False)\n"
            'line = b\'{"zerobeat": 1, "id": 1, "command": "follow"}\\n\' * 500\n'
            "while True:\n"
            "    for link in links:\n"
            "        try: link.send(line)\n"
            "        except OSError: pass\n"
        )
        socket_path = daemon.folder / "zerobeat/control"
        peer = subprocess.Popen([sys.executable, "-c", flood, str(socket_path)])
        try:
            for note in range(40, 80):
                keys.play([(0.0, bytes((0x90, note, 100))), (0.01, bytes((0x80, note, 64)))])
            octo.wait_for_silence(0.5)
            heard = [content for _, content in octo.heard]
            struck = [c[1] for c in heard if c[0] == 0x90]
            assert struck == list(range(40, 80))
            assert open_notes(heard) == set()
            assert zerobeat(daemon, "status", "--once")
        finally:
            peer.kill()
            peer.wait()
        assert daemon.stop() == 0


def test_the_daemon_loads_neither_numpy_nor_rich():
    code = (
        "import sys, zerobeat.runtime.runner, zerobeat.commands.run\n"
        "print(sorted({m.split('.')[0] for m in sys.modules} & {'numpy', 'rich', 'mido'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_client_that_dies_while_it_measures_leaves_nothing_sounding(tmp_path):
    """The run belongs to the connection; status names the voice."""
    code = (
        "import sys, time; from zerobeat.client.daemon_client import Client\n"
        "link = Client(); link.ask('play', voice='v1', note=60)\n"
        "print('plays', flush=True); time.sleep(60)"
    )
    with (
        JackServer() as server,
        MidiSender("keys"),
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        octo.wait_for(12)
        client = subprocess.Popen(
            [sys.executable, "-c", code], env=daemon.environment, stdout=subprocess.PIPE
        )
        try:
            assert client.stdout.readline() == b"plays\n"
            assert "measuring" in zerobeat(daemon, "status", "--once")
            assert open_notes(c for _, c in octo.wait_for_silence()) == {(0, 60)}
        finally:
            client.kill()
            client.wait()
            client.stdout.close()
        wait_until(lambda: not open_notes(c for _, c in list(octo.heard)))
        assert json.loads(zerobeat(daemon, "status", "--json"))["measuring"] == []


def test_a_key_takes_the_voices_back_from_a_client_that_measures(tmp_path):
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        octo.wait_for(12)
        with Client(Path(daemon.environment["XDG_RUNTIME_DIR"], "zerobeat", "control")) as client:
            client.ask("play", voice="v1", note=60, bend_cents=30)
            keys.send(b"\x90\x40\x64")
            wait_until(lambda: client.status()["measuring"] == [])
            with pytest.raises(CommandError, match="^measuring stopped by a key$"):
                client.ask("play", voice="v1", note=61)
            heard = [content for _, content in octo.wait_for_silence()]
            assert open_notes(heard) == {(0, 64), (1, 64)}

"""Which port a name means: M4, M5, M6, M21; and what is said before a backend opens."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from kit.jack import MidiRecorder, MidiSender, wait_until
from zerobeat.errors import PortError
from zerobeat.ports import patch as patch_module
from zerobeat.ports.patch import (
    check_client_name,
    check_sequencer,
    choose_backend,
    jack_socket,
    list_ports,
    open_patch,
)
from zerobeat.ports.port_name import (
    PortAmbiguous,
    PortForbidden,
    PortFound,
    PortMissing,
    PortName,
    find,
)

LEFT = PortName("Stage Keys", "MIDI 1", "in", ("serial 0042", "usb 1-1.2"), (20, 0))
RIGHT = PortName("Stage Keys", "MIDI 1", "in", ("usb 1-1.3",), (24, 0))
TWIN = PortName("keys", "out", "in", (), (128, 0))
OTHER_TWIN = PortName("keys", "out", "in", (), (129, 0))
THROUGH = PortName("Midi Through", "Midi Through Port-0", "in", (), (14, 0))
OWN = PortName("zerobeat out quad", "midi", "in", (), (130, 0), own=True)
ONE = PortName("hub", "Port 1", "in", (), (32, 0))
TEN = PortName("hub", "Port 10", "in", (), (32, 9))


@pytest.mark.parametrize("ports", [[ONE, TEN], [TEN, ONE]])
def test_the_exact_name_wins_over_a_longer_one(ports):
    assert find("hub:Port 1", ports, "in") == PortFound(ONE)
    assert find("hub:Port 1", ports, "in", is_pattern=True) == PortFound(ONE)


def test_a_part_of_a_name_matches_nothing():
    assert isinstance(find("hub:Port", [ONE, TEN], "in"), PortMissing)
    assert isinstance(find("hub:Port 1", [TEN], "in"), PortMissing)
    assert isinstance(find("1", [ONE, TEN], "in"), PortMissing)


def test_a_name_with_a_star_is_a_pattern_only_when_marked():
    assert isinstance(find("hub:*10", [ONE, TEN], "in"), PortMissing)
    assert find("hub:*10", [ONE, TEN], "in", is_pattern=True) == PortFound(TEN)


@pytest.mark.parametrize("ports", [[ONE, TEN], [TEN, ONE]])
def test_a_pattern_must_match_exactly_one(ports):
    assert find("hub:Port*", ports, "in", is_pattern=True) == PortAmbiguous(
        'port "hub:Port*" could be any of 2; write "hub:Port 1" or "hub:Port 10"'
    )


def test_direction_counts():
    assert isinstance(find("hub:Port 1", [ONE], "out"), PortMissing)


@pytest.mark.parametrize("ports", [[LEFT, RIGHT], [RIGHT, LEFT]])
def test_two_of_one_name_are_refused_with_what_to_write(ports):
    assert find("Stage Keys:MIDI 1", ports, "in") == PortAmbiguous(
        'port "Stage Keys:MIDI 1" could be any of 2; write '
        '"Stage Keys:MIDI 1 [serial 0042]" or "Stage Keys:MIDI 1 [usb 1-1.3]"'
    )


@pytest.mark.parametrize(
    ("identity", "port"),
    [("serial 0042", LEFT), ("usb 1-1.2", LEFT), ("usb 1-1.3", RIGHT)],
)
def test_identity_breaks_the_tie(identity, port):
    assert find(f"Stage Keys:MIDI 1 [{identity}]", [LEFT, RIGHT], "in") == PortFound(port)
    assert find(f"Stage* [{identity}]", [LEFT, RIGHT], "in", True) == PortFound(port)


def test_a_wrong_identity_is_not_taken_for_the_one_that_is_there():
    assert isinstance(find("Stage Keys:MIDI 1 [usb 1-1.4]", [LEFT], "in"), PortMissing)


def test_a_name_that_ends_in_brackets_is_a_name():
    port = PortName("a2j", "Stage Keys [20]", "in")
    assert find("a2j:Stage Keys [20]", [port], "in") == PortFound(port)


@pytest.mark.parametrize("ports", [[TWIN, OTHER_TWIN], [OTHER_TWIN, TWIN]])
def test_two_programs_of_one_name_are_refused(ports):
    found = find("keys:out", ports, "in")
    assert found == PortAmbiguous(
        'port "keys:out" could be any of 2, nothing tells them apart: "keys:out", "keys:out"'
    )


def test_a_client_number_is_refused_with_the_stable_name():
    assert find("keys:out 128:0", [TWIN], "in") == PortForbidden(
        'port "keys:out 128:0": client numbers change from boot to boot; write "keys:out"'
    )


def test_loops_are_never_matched_by_accident():
    assert find("*:midi", [OWN, LEFT], "in", True) == PortForbidden(
        'port "*:midi" is zerobeat\'s own; it would hear itself'
    )
    assert isinstance(find("zerobeat out quad:midi", [OWN], "in"), PortForbidden)
    assert isinstance(find("Midi*", [THROUGH], "in", True), PortForbidden)
    assert find("*", [OWN, THROUGH, LEFT], "in", True) == PortFound(LEFT)
    assert find("Midi Through:Midi Through Port-0", [THROUGH], "in") == PortFound(THROUGH)


def test_a_missing_sequencer_is_told_from_a_forbidden_one(tmp_path):
    """S2; as user nobody, because root may open anything."""
    with pytest.raises(PortError, match="is missing; load it: modprobe snd-seq"):
        check_sequencer(tmp_path / "seq")
    if os.getuid() != 0:
        pytest.skip("needs root, to give up its rights")
    with tempfile.TemporaryDirectory() as folder:  # tmp_path is shut to user nobody
        Path(folder).chmod(0o755)
        shut = Path(folder, "seq")
        shut.touch(mode=0o660)
        script = (
            "import os, pathlib, sys; from zerobeat.ports.patch import check_sequencer\n"
            "from zerobeat.errors import PortError\n"
            "os.setgroups([]); os.setuid(65534)\n"
            "try: check_sequencer(pathlib.Path(sys.argv[1]))\n"
            "except PortError as error: print(error)"
        )
        done = subprocess.run(
            [sys.executable, "-c", script, str(shut)],
            capture_output=True,
            text=True,
            check=True,
        )
    assert "permission denied; put user nobody into group audio" in done.stdout


def test_backend_is_alsa_where_there_is_a_sequencer(tmp_path, monkeypatch, server):
    assert choose_backend("alsa") == "alsa"
    monkeypatch.setattr(patch_module, "SEQUENCER", tmp_path / "seq")
    assert choose_backend("auto") == "jack"
    (tmp_path / "seq").touch()
    assert choose_backend("auto") == "alsa"


def test_neither_backend_gives_one_line(tmp_path, monkeypatch):
    monkeypatch.setattr(patch_module, "SEQUENCER", tmp_path / "seq")
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nowhere")
    with pytest.raises(PortError, match="no MIDI here: .* and no JACK server runs"):
        choose_backend("auto")


def test_no_server_gives_one_line_and_nothing_on_the_screen(capfd, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nowhere")
    with pytest.raises(PortError, match='no JACK server "nowhere" answers'):
        open_patch("jack")
    assert capfd.readouterr() == ("", "")


def test_a_server_name_that_the_library_would_end_the_process_for_gives_one_line(monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", 300 * "a")
    for ask in (lambda: open_patch("jack"), lambda: list_ports("jack"), jack_socket):
        with pytest.raises(PortError, match="JACK_DEFAULT_SERVER: found 300 bytes; allowed: 80"):
            ask()


def test_a_second_daemon_on_one_server_is_refused(patch):
    with pytest.raises(PortError, match="another zerobeat plays on this JACK server"):
        open_patch("jack")


@pytest.mark.parametrize(
    ("module", "backend", "line"),
    [
        ("jack", "jack", "python library JACK-Client is missing; install zerobeat"),
        ("alsa_midi", "alsa", "python library alsa-midi is missing; install zerobeat"),
        (
            "rtmidi",
            "jack",
            "python library python-rtmidi is missing; install "
            + ("it: pip" if sys.version_info < (3, 13) else "python3-rtmidi"),
        ),
    ],
)
def test_a_missing_library_gives_one_line(module, backend, line):
    script = (
        "import sys; sys.modules[sys.argv[1]] = None\n"
        "import zerobeat.ports.patch as patch; from zerobeat.errors import PortError\n"
        "patch.check_sequencer = lambda: None\n"
        "try: patch.open_patch(sys.argv[2])\n"
        "except PortError as error: print(error)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, module, backend],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith(line)
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""


def test_ports_of_a_real_server_have_their_direction(server, patch):
    with MidiSender("Stage Keys", "MIDI 1"), MidiRecorder("quad"):
        seen = {(port.text, port.direction) for port in patch.ports()}
    assert {("Stage Keys:MIDI 1", "in"), ("quad:in", "out")} <= seen


def test_ports_and_connections_are_announced_at_once(server, patch):
    """M1: within the second that a look takes without it."""
    wait_until(patch.heard, 1.0)
    time.sleep(0.1)
    patch.heard()
    assert not patch.heard()
    port = server.client.midi_outports.register("more")  # of a client that plays already
    wait_until(patch.heard, 0.3)
    port.unregister()
    wait_until(patch.heard, 0.3)
    with MidiSender("keys"), MidiRecorder("quad"):
        wait_until(patch.heard, 0.3)
        time.sleep(0.1)
        assert patch.heard()
        assert not patch.heard()
        server.connect("keys:out", "quad:in")
        wait_until(patch.heard, 0.3)


CLOSING = """\
import threading, time
import jack
from zerobeat.ports.patch import open_patch

def come_and_go():
    while not done.is_set():
        device.midi_outports.register("more").unregister()

def keep_the_interpreter():
    while not done.is_set():
        sum(range(100000))

done = threading.Event()
device = jack.Client("device", no_start_server=True)
device.activate()
busy = [threading.Thread(target=work) for work in (come_and_go, keep_the_interpreter)]
for thread in busy:
    thread.start()
for _ in range(20):
    patch = open_patch("jack")
    time.sleep(0.02)
    patch.close()
done.set()
for thread in busy:
    thread.join()
device.close()
print("closed")
"""


def test_a_patch_closes_whatever_its_library_announces_meanwhile(server):
    """M14: a thread of libjack that closing cancels in Python took the interpreter's lock."""
    done = subprocess.run(
        [sys.executable, "-c", CLOSING],
        env=server.environment,
        timeout=40.0,
        capture_output=True,
        text=True,
    )
    assert done.stdout == "closed\n", done.stderr


def test_connecting_twice_and_disconnecting_twice_is_quiet(server, patch):
    with MidiSender("keys"), MidiRecorder("quad"):
        ports = {port.text: port for port in patch.ports()}
        pair = ports["keys:out"], ports["quad:in"]
        assert not patch.connected(*pair)
        patch.connect(*pair)
        patch.connect(*pair)
        assert patch.connected(*pair)
        patch.disconnect(*pair)
        patch.disconnect(*pair)
        assert not patch.connected(*pair)


def test_connecting_what_has_gone_gives_one_line(server, patch):
    with MidiSender("keys"), MidiRecorder("quad"):
        ports = {port.text: port for port in patch.ports()}
    with pytest.raises(PortError, match='"keys:out" to "quad:in": JACK refused'):
        patch.connect(ports["keys:out"], ports["quad:in"])


@pytest.mark.parametrize(
    ("client", "backend", "why"),
    [
        ("zerobeat in " + 51 * "k", "jack", None),
        ("zerobeat in " + 52 * "k", "jack", "found 64 bytes; make its name 1 bytes shorter"),
        ("zerobeat out " + 26 * "é", "alsa", "found 65 bytes; make its name 2 bytes shorter"),
        ("zerobeat in a:b", "jack", "found a colon"),
        ("zerobeat in a:b", "alsa", None),
    ],
)
def test_a_name_that_the_backend_would_cut_is_refused(client, backend, why):
    if why is None:
        check_client_name(client, backend)
        return
    with pytest.raises(PortError, match=why):
        check_client_name(client, backend)

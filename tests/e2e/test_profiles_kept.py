"""A profile sent to a daemon that plays: kept, played by, and taken back (S9, B5)."""

import json
from pathlib import Path

import pytest

from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.config.profile_file import load_profile
from zerobeat.errors import CommandError
from zerobeat.midi import PitchBend, parse
from zerobeat.state.store import Store

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

KEY = 60
FLAT = {"readings": [{"note": note, "cents": -10.0} for note in (36, 48, 60, 72)]}
FLATTER = {"readings": [{"note": note, "cents": -20.0} for note in (36, 48, 60, 72)]}
OWN = "voice: v1\nreadings:\n- {note: 36, cents: 5.0}\n- {note: 72, cents: 5.0}\n"


def bend_for(cents: float) -> int:
    """Steps of a range of 200 cents, 8192 a side: MIDI 1.0 Detailed Specification."""
    return round(cents / 200.0 * 8192)


@pytest.fixture
def playing(tmp_path):
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles/v1.yaml").write_text(OWN)
    rig = write_rig(tmp_path, voices=2)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        octo.wait_for(12)
        yield daemon, keys, octo
        assert open_notes(content for _, content in octo.wait_for_silence()) == set()
        assert daemon.stop() == 0


def strike(keys: MidiSender, octo: MidiRecorder) -> dict[int, int]:
    """Press and release a key; return the bend of each channel that was struck."""
    before = len(octo.heard)
    keys.send(bytes((0x90, KEY, 100)))
    keys.send(bytes((0x80, KEY, 64)))
    wait_until(lambda: sum(c[0] & 0xF0 == 0x80 for _, c in octo.heard[before:]) >= 2)
    return bends(octo)


def bends(octo: MidiRecorder) -> dict[int, int]:
    found = {}
    for _, content in octo.heard:
        message = parse(content)
        if isinstance(message, PitchBend):
            found[message.channel] = message.bend
    return found


def test_a_profile_is_stored_played_by_and_undone(playing):
    daemon, keys, octo = playing
    assert strike(keys, octo) == {0: bend_for(-5.0), 1: 0}
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("touch_up", voice="v1", offset_cents=3.0)
        first = client.ask("put_profile", voice="v1", profile=FLAT)
        path = Path(first["file"])
        assert path == daemon.folder / "state/profiles/v1.yaml"
        assert path.read_text().startswith(f"# zerobeat sha256={first['generation']}")
        assert [reading.cents for reading in load_profile(path).readings] == [-10.0] * 4
        assert strike(keys, octo) == {0: bend_for(10.0), 1: 0}  # the touch-up went with the old
        second = client.ask("put_profile", voice="v1", profile=FLATTER)
        assert second["generation"] != first["generation"]
        assert strike(keys, octo)[0] == bend_for(20.0)
        assert client.ask("undo_profile", voice="v1")["generation"] == first["generation"]
        assert strike(keys, octo)[0] == bend_for(10.0)
    store = Store(daemon.folder / "state")
    assert load_profile(store.load("profiles", "v1").path).readings[0].cents == -10.0
    assert daemon.stop() == 0
    daemon.start()
    daemon.wait_for_line("connected: input keys, output octo")
    octo.wait_for_silence()
    assert strike(keys, octo)[0] == bend_for(10.0)  # after a restart too


def test_the_players_own_profile_comes_back_too(playing):
    daemon, keys, octo = playing
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("put_profile", voice="v1", profile=FLAT)
        client.ask("undo_profile", voice="v1")
        assert strike(keys, octo)[0] == bend_for(-5.0)
        client.ask("put_profile", voice="v2", profile=FLAT)
        with pytest.raises(CommandError, match=r"v2\.yaml: no earlier one is kept"):
            client.ask("undo_profile", voice="v2")
        assert strike(keys, octo)[1] == bend_for(10.0)


def test_a_note_that_sounds_keeps_its_correction(playing):
    daemon, keys, octo = playing
    keys.send(bytes((0x90, KEY, 100)))
    octo.wait_for_silence()
    count = len(octo.heard)
    with Client(daemon.folder / "zerobeat/control") as client:
        client.ask("put_profile", voice="v1", profile=FLAT)
    assert octo.wait_for_silence()[count:] == []
    keys.send(bytes((0x80, KEY, 64)))
    assert strike(keys, octo)[0] == bend_for(10.0)


REFUSED = [
    ({"voice": "reed"}, "voice: found reed; allowed: v1, v2"),
    ({"voice": "v1"}, "v1: profile: found none; needed: keys of a profile file"),
    ({"voice": "v1", "profil": {}}, "profil: found unknown key; allowed: voice, profile"),
    ({"voice": "v1", "profile": {"readings": []}}, r"profile\.readings: found 0 readings"),
    ({"voice": "v1", "profile": {"readings": [{"note": 128, "cents": 0}]}}, r"found 128"),
    ({"voice": "v1", "profile": {"readings": [{"note": 60, "cents": "x"}]}}, r"cents: found x"),
    ({"voice": "v1", "profile": {**FLAT, "knot": []}}, "knot: found unknown key; allowed: .*knots"),
]


def test_a_bad_profile_changes_nothing(playing):
    daemon, keys, octo = playing
    with Client(daemon.folder / "zerobeat/control") as client:
        for values, error in REFUSED:
            with pytest.raises(CommandError, match=error) as refusal:
                client.ask("put_profile", **values)
            assert "\n" not in str(refusal.value)
        shown = client.status()
    assert json.dumps(shown)
    assert not list((daemon.folder / "state").glob("profiles/*"))
    assert strike(keys, octo)[0] == bend_for(-5.0)

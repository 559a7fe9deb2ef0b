"""Files of a later format are refused by name and left alone (S9, F10)."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import subprocess
import sys
import tarfile
import time
from pathlib import Path

import pytest

from zerobeat.engine.settings import Input, Output, Rig, Scene, Tonight, Voice
from zerobeat.errors import ConfigError, NewerFormatError, StoreError
from zerobeat.runtime_directory import SOCKET
from zerobeat.state import durable
from zerobeat.state.backup import SUMS, pack, read_backup, unpack
from zerobeat.state.last_good import keep_last_good, last_good_rig, load_last_good
from zerobeat.state.session import Session, SessionKeeper, load_session, session_to_json
from zerobeat.state.state_directory import load_rig
from zerobeat.state.store import Store
from zerobeat.state.store_writer import StoreWriter

REFUSAL = "{}: format 3 is newer than this zerobeat reads (1): upgrade, or restore an older file"
RIG = Rig(
    inputs=(Input("keys", "Stage Keys"),),
    outputs=(Output("quad", "quad:in"),),
    voices=(Voice("reed", "quad", 0),),
    concert_a_hz=442.0,
)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "state")


def newer(path: Path) -> bytes:
    """Make a file one of format 3, with the right checksum; return its bytes."""
    raw = path.read_bytes()
    if path.suffix == ".json":
        content = raw.partition(b'"content":\n')[2].removesuffix(b"}\n")
        content = content.replace(b'"format": 1', b'"format": 3')
        head = b'{"sha256": "%s",\n"content":\n' % hashlib.sha256(content).hexdigest().encode()
        raw = head + content + b"}\n"
    else:
        content = raw.partition(b"\n")[2].replace(b"format=1", b"format=3")
        raw = b"# zerobeat sha256=%s\n" % hashlib.sha256(content).hexdigest().encode() + content
    assert b"3" in raw
    path.write_bytes(raw)
    return raw


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


# ---------------------------------------------------------------- what is written


def test_every_file_that_is_written_says_its_format(store: Store, tmp_path: Path) -> None:
    scene = store.save("scenes", "calm", "program: 1\n")
    profile = store.save("profiles", "reed", "voice: reed\n")
    bindings = store.save_bindings("bindings: []\n")
    for path in (scene, profile, bindings):
        assert path.read_text().splitlines()[1] == "# zerobeat format=1"
    session = store.save_session(session_to_json(Session()))
    assert json.loads(session.read_text())["content"]["format"] == 1
    pack(store.directory, tmp_path / "b.tar.gz")
    with tarfile.open(tmp_path / "b.tar.gz") as archive:
        assert archive.getnames()[0] == SUMS
        assert archive.pax_headers["comment"] == "zerobeat format=1"


def test_the_format_is_no_part_of_what_was_stored(store: Store) -> None:
    path = store.save("scenes", "calm", "program: 1\n")
    assert store.load("scenes", "calm") == durable.Newest(path, b"program: 1\n")
    # The same in a file of 0.1.0, which has no format: nothing is kept twice.
    content = b"program: 1\n"
    path.write_bytes(
        b"# zerobeat sha256=%s\n" % hashlib.sha256(content).hexdigest().encode() + content
    )
    assert store.load("scenes", "calm") == durable.Newest(path, content)
    store.save("scenes", "calm", content)
    assert os.listdir(path.parent) == ["calm.yaml"]


def test_an_edit_without_its_first_line_is_still_taken(store: Store) -> None:
    path = store.save("scenes", "calm", "program: 1\n")
    path.write_text(path.read_text().partition("\n")[2] + "hold: none\n")
    assert store.load("scenes", "calm") == durable.Newest(path, b"program: 1\nhold: none\n")


# ---------------------------------------------------------------- scenes, profiles, bindings


@pytest.mark.parametrize("with_checksum", [True, False])
@pytest.mark.parametrize("folder", ["scenes", "profiles"])
def test_a_newer_file_alone_is_refused_by_name_and_left_alone(
    store: Store, folder: str, with_checksum: bool
) -> None:
    path = store.save(folder, "calm", "program: 1\n")
    newer(path)
    if not with_checksum:  # a later format may have another one
        path.write_bytes(b"#" + path.read_bytes().replace(b"sha256", b"blake2"))
    before = tree(store.directory)
    line = f"^{re.escape(REFUSAL.format(path))}$"
    with pytest.raises(NewerFormatError, match=line):
        store.load(folder, "calm")
    for act in (
        lambda: store.save(folder, "calm", "program: 2\n"),
        lambda: store.save(folder, "calm", "program: 2\n", before="program: 0\n"),
        lambda: store.undo(folder, "calm"),
    ):
        with pytest.raises(NewerFormatError, match=f"{line[:-1]}(; nothing was stored)?$"):
            act()
    assert tree(store.directory) == before
    store.save(folder, "other", "program: 2\n")


def test_an_older_generation_plays_and_a_store_is_refused(store: Store) -> None:
    for program in range(8):
        path = store.save("scenes", "calm", f"program: {program}\n")
    newer(path)
    before = tree(store.directory)
    newest = store.load("scenes", "calm")
    older = path.with_name("calm.1.yaml")
    assert newest == durable.Newest(
        older, b"program: 6\n", (f"{REFUSAL.format(path)}; {older} is used",)
    )
    for act in (lambda: store.save("scenes", "calm", "program: 9\n"), lambda: store.undo(*NAME)):
        with pytest.raises(NewerFormatError, match=r"calm\.yaml: format 3 is newer"):
            act()
    assert tree(store.directory) == before


NAME = ("scenes", "calm")


@pytest.mark.parametrize("number", [1, 3, 5, 6])
def test_a_newer_generation_is_never_pushed_out(store: Store, number: int) -> None:
    for program in range(8):
        path = store.save("scenes", "calm", f"program: {program}\n")
    old = durable.generation(path, number)
    if not old.exists():  # one more than are kept, as after a cut
        old.write_bytes(path.read_bytes())
    newer(old)
    before = tree(store.directory)
    with pytest.raises(NewerFormatError, match=rf"calm\.{number}\.yaml: format 3 is newer"):
        store.save("scenes", "calm", "program: 9\n")
    assert tree(store.directory) == before
    assert store.load("scenes", "calm").content == b"program: 7\n"


def test_the_older_file_put_back_by_the_player_is_stored_over(store: Store) -> None:
    store.save("scenes", "calm", "program: 1\n")
    path = store.save("scenes", "calm", "program: 2\n")
    newer(path)
    os.replace(path.with_name("calm.1.yaml"), path)
    store.save("scenes", "calm", "program: 3\n")
    assert store.load("scenes", "calm").content == b"program: 3\n"


def test_newer_bindings_are_refused_and_left_alone(store: Store) -> None:
    path = store.save_bindings("bindings: []\n")
    newer(path)
    before = tree(store.directory)
    with pytest.raises(NewerFormatError, match=re.escape(REFUSAL.format(path))):
        store.load_bindings()
    with pytest.raises(NewerFormatError, match=re.escape(REFUSAL.format(path))):
        store.save_bindings("bindings: [1]\n")
    assert tree(store.directory) == before


def test_a_rig_says_which_stored_scene_it_does_not_play(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = write_rig(tmp_path / "rig")
    store.save("scenes", "slow", "program: 1\n")
    path = store.save("scenes", "slow", "program: 2\n")
    newer(path)
    os.unlink(path.with_name("slow.1.yaml"))
    monkeypatch.setenv("STATE_DIRECTORY", str(store.directory))
    loaded = load_rig(rig)
    assert loaded.scenes[0].program is None  # the player's own file
    (line,) = loaded.warnings
    own = rig.parent / "scenes" / "slow.yaml"
    assert line.endswith(f"{REFUSAL.format(path)}; {own} is used")
    own.unlink()
    with pytest.raises(ConfigError, match=re.escape(REFUSAL.format(path))):
        load_rig(rig)


# ---------------------------------------------------------------- the session


def test_a_newer_session_is_not_played_and_not_written_over(store: Store) -> None:
    path = store.save_session(session_to_json(Session(scene="Calm")))
    newer(path)
    before = tree(store.directory)
    session, lines = load_session(store, RIG)
    assert session == Session(Tonight(concert_a_hz=442.0))
    assert lines == [
        f"{REFUSAL.format(path)}; starting without a session, and none is kept meanwhile"
    ]
    writer = StoreWriter(store)
    keeper = SessionKeeper(writer, session)
    keeper.want(Session(scene="Glass"))
    assert keeper.wake_at_s is None  # not tried every two seconds
    keeper.step(100.0)
    keeper.finish()
    assert writer.waiting == 0
    writer.save_session(session_to_json(Session(scene="Glass")))
    (done,) = writer.stop()
    assert done.error == f"{REFUSAL.format(path)}; nothing was stored"
    assert done.is_newer
    assert tree(store.directory) == before


def test_the_session_before_a_newer_one_plays(store: Store) -> None:
    store.save_session(session_to_json(Session(scene="Calm")))
    path = store.save_session(session_to_json(Session(scene="Glass")))
    newer(path)
    before = tree(store.directory)
    session, lines = load_session(store, RIG)
    assert session.scene == "Calm"
    older = path.with_name("session.1.json")
    assert lines == [
        f"{REFUSAL.format(path)}; {older} is used",
        f"{path}: no session is kept meanwhile",
    ]
    assert tree(store.directory) == before


# ---------------------------------------------------------------- the last good rig


def write_rig(folder: Path) -> Path:
    (folder / "scenes").mkdir(parents=True)
    (folder / "scenes" / "slow.yaml").write_text("hold: note\n")
    rig = folder / "rig.yaml"
    rig.write_text(
        "inputs:\n  keys: {port: 'Stage Keys:MIDI 1'}\n"
        "converters:\n  quad: {port: 'quad:in', converter: {gate_gap_ms: 2}}\n"
        "voices:\n  reed: {converter: quad, channel_number: 1, profile: none}\n"
        "scene: slow\n"
    )
    return rig


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_the_last_good_rig_has_a_format_and_a_newer_one_is_left_alone(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mark: bytes
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(store.directory))
    store.directory.mkdir()
    rig = write_rig(tmp_path / "rig")
    rig.write_bytes(mark + rig.read_bytes())
    assert keep_last_good(store.directory, rig, load_rig(rig).files_read)
    assert not keep_last_good(store.directory, rig, load_rig(rig).files_read)
    path = last_good_rig(store.directory)
    assert path is not None
    assert path.read_text().splitlines()[0] == "# zerobeat format=1"
    kept = load_last_good(store)
    assert kept is not None and kept.rig == load_rig(rig).rig
    path.write_bytes(path.read_bytes().replace(b"format=1", b"format=3"))
    before = tree(store.directory)
    with pytest.raises(ConfigError, match=r"rig\.last-good\.yaml:1: format 3 is newer"):
        load_last_good(store)
    rig.write_text(rig.read_text() + "middle_c: C3\n")
    with pytest.raises(StoreError) as caught:
        keep_last_good(store.directory, rig, load_rig(rig).files_read)
    assert str(caught.value) == f"{REFUSAL.format(path)}; nothing was stored"
    assert tree(store.directory) == before


# ---------------------------------------------------------------- backups


def newer_backup(path: Path, member: bytes = b"program: 1\n") -> Path:
    sums = f"{hashlib.sha256(member).hexdigest()}  scenes/calm.yaml\n".encode()
    with tarfile.open(path, "w:gz", pax_headers={"comment": "zerobeat format=3"}) as archive:
        for name, content in ((SUMS, sums), ("scenes/calm.yaml", member)):
            info = tarfile.TarInfo(name)
            info.size = len(content)
            archive.addfile(info, io.BytesIO(content))
    return path


def test_a_newer_backup_is_refused_and_changes_nothing(store: Store, tmp_path: Path) -> None:
    path = newer_backup(tmp_path / "friday.tar.gz")
    store.save("scenes", "calm", "program: 5\n")
    before = tree(store.directory)
    for act in (lambda: read_backup(path), lambda: unpack(path, store.directory)):
        with pytest.raises(NewerFormatError) as caught:
            act()
        assert str(caught.value) == f"{REFUSAL.format(path)}; nothing was changed"
    assert tree(store.directory) == before
    done = subprocess.run(
        [sys.executable, "-m", "zerobeat", "backup", "--restore", path, "--state", store.directory],
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (1, f"{REFUSAL.format(path)}; nothing was changed\n")
    assert tree(store.directory) == before


def test_a_newer_file_that_was_left_alone_comes_back_from_a_backup(
    store: Store, tmp_path: Path
) -> None:
    newer(store.save("scenes", "calm", "program: 5\n"))
    store.save("scenes", "glass", "program: 6\n")
    pack(store.directory, tmp_path / "b.tar.gz")
    unpack(tmp_path / "b.tar.gz", tmp_path / "new")
    assert tree(tmp_path / "new") == tree(store.directory)


# ---------------------------------------------------------------- a daemon


def test_a_daemon_plays_beside_newer_files(store: Store, tmp_path: Path, server: object) -> None:
    """It says which it does not read, in log and status, and refuses a store to that name."""
    from kit.daemon_process import DaemonProcess
    from kit.jack import MidiRecorder
    from zerobeat.client.daemon_client import Client

    rig = write_rig(tmp_path / "rig")
    store.save("scenes", "slow", "title: slow\nprogram: 1\n")
    scene = store.save("scenes", "slow", "title: slow\nprogram: 2\n")
    session = store.save_session(session_to_json(Session(scene="slow", live=Scene("slow"))))
    newer(scene)
    newer(session)
    before = tree(store.directory)
    environment = server.environment  # type: ignore[attr-defined]
    with (
        MidiRecorder("quad"),
        DaemonProcess(rig, environment, state=store.directory) as daemon,
    ):
        daemon.wait_for_line("output quad")
        log = "\n".join(daemon.lines())
        for path in (scene, session):
            assert REFUSAL.format(path) in log
        with Client(daemon.folder / "zerobeat" / SOCKET) as client:
            shown = client.status()["store"]
            assert [line.partition(":")[0] for line in shown["passed_over"]] == [
                "scenes/slow.yaml",
                "session.json",
            ]
            client.ask("set", voice="reed", changes={"detune_cents": 5})
            with pytest.raises(Exception, match=re.escape(REFUSAL.format(scene))):
                client.ask("store")
            time.sleep(2.5)  # a session would be written within 2 s
            assert client.status()["store"]["fault"] == ""
        assert daemon.stop() == 0
    assert tree(store.directory) == before

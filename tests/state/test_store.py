"""The state directory: what is stored is there again, whatever becomes of the disk.

Requirements S8, S9 and F10.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

from kit.small_disk import remount, small_disk
from zerobeat.config.profile_file import (
    Profile,
    ProfileReading,
    load_profile,
    profile_to_yaml,
)
from zerobeat.config.scene_file import load_scene, scene_to_yaml
from zerobeat.engine.settings import Scene, VoiceSettings
from zerobeat.errors import StoreError
from zerobeat.state import durable
from zerobeat.state.store import Store


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "state")


def text(program: int) -> str:
    return f"program: {program}\n"


def program(store: Store) -> int:
    """Return what a load of the scene gives, which must go without a warning."""
    newest = store.load("scenes", "calm")
    assert newest.warnings == ()
    return int(newest.content.split()[1])


def files(store: Store) -> list[str]:
    return sorted(os.listdir(store.directory / "scenes"))


# ---------------------------------------------------------------- saved and loaded


def test_a_stored_scene_and_profile_read_back_equal(store):
    scene = Scene("Calm", program=4, voices={"reed": VoiceSettings(octaves=1)})
    assert load_scene(store.save("scenes", "calm", scene_to_yaml(scene))) == scene
    profile = Profile("reed", (ProfileReading(3.5, 48), ProfileReading(-1.0, 72)))
    assert load_profile(store.save("profiles", "reed", profile_to_yaml(profile))) == profile
    assert store.names("scenes") == ["calm"] and store.names("profiles") == ["reed"]


def test_a_stored_file_is_plain_yaml_whose_first_line_is_sha256sums(store):
    path = store.save("scenes", "calm", text(5))
    first, rest = path.read_bytes().split(b"\n", 1)
    told = subprocess.run(["sha256sum"], input=rest, capture_output=True, check=True).stdout
    assert first.decode() == f"# zerobeat sha256={told.split()[0].decode()}"
    assert yaml.safe_load(path.read_text()) == {"program": 5}
    session = store.save_session(b'{"scene": "calm"}\n')
    assert json.loads(session.read_text())["content"] == {"scene": "calm"}


def test_five_earlier_generations_are_kept(store):
    for number in range(9):
        store.save("scenes", "calm", text(number))
    names = [f"calm.{number}.yaml" for number in range(1, 6)]
    assert files(store) == [*names, "calm.yaml"]
    kept = [
        durable.examine(path).content for path in durable.generations(store.path("scenes", "calm"))
    ]
    assert kept == [text(number).encode() for number in (8, 7, 6, 5, 4, 3)] + [b""]
    assert store.names("scenes") == ["calm"]


def test_an_undo_brings_back_the_one_before_and_can_be_undone(store):
    """Requirement F10."""
    for number in range(7):
        store.save("scenes", "calm", text(number))
    store.undo("scenes", "calm")
    assert program(store) == 5
    store.undo("scenes", "calm")
    assert program(store) == 6
    assert len(files(store)) == 6  # and none was pushed out
    store.save("scenes", "glass", text(1))
    with pytest.raises(StoreError, match=r"glass\.yaml: no earlier one is kept$"):
        store.undo("scenes", "glass")
    with pytest.raises(StoreError, match=r"horn\.yaml: nothing of that name is stored$"):
        store.undo("scenes", "horn")


def test_the_same_again_takes_no_generation(store):
    for number in (1, 2, 2, 2):
        store.save("scenes", "calm", text(number))
    assert files(store) == ["calm.1.yaml", "calm.yaml"]


def test_one_earlier_session_is_kept(store):
    assert store.load_session() is None
    for number in range(4):
        store.save_session(b'{"n": %d}\n' % number)
    assert sorted(os.listdir(store.directory)) == ["session.1.json", "session.json"]
    path = store.directory / "session.json"
    path.write_bytes(path.read_bytes()[:-9])
    newest = store.load_session()
    assert newest.content == b'{"n": 2}\n'
    assert newest.warnings == (
        f"{path}: its checksum is wrong; {store.directory}/session.1.json is used",
    )


@pytest.mark.parametrize(
    "name",
    ["", ".calm", "a/b", "..", "calm.1", "calm.damaged", "calm.yaml", "x" * 201, "a\nb", " a"],
)
def test_a_name_that_no_file_can_have_is_one_line(store, name):
    with pytest.raises(StoreError, match=r"^scenes: found the name .*; allowed: [^\n]*$"):
        store.save("scenes", name, text(1))
    assert not store.directory.exists()


def test_a_name_may_have_umlauts_blanks_and_dots(store):
    for name in ("Grüne Nacht", "no. two", "x" * 200):
        store.save("scenes", name, text(1))
        store.save("scenes", name, text(2))
    assert store.names("scenes") == sorted(["Grüne Nacht", "no. two", "x" * 200])


def test_what_could_not_be_read_back_is_not_stored(store):
    with pytest.raises(StoreError, match=r"found 600,1\d\d bytes; allowed: up to 500,000$"):
        store.save("scenes", "calm", b"#" * 600_000)


# ---------------------------------------------------------------- damaged and edited


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda raw: b"", "empty"),
        (lambda raw: raw[:10], "cut short"),
        (lambda raw: raw[:-3], "its checksum is wrong"),
        (lambda raw: raw[:30], "its checksum is wrong"),
        (lambda raw: raw.replace(b": 2", b": 3"), "its checksum is wrong"),
        (lambda raw: b"!" + raw[1:], "its checksum is wrong"),
        (lambda raw: b"\xef\xbb\xbf" + raw, "its checksum is wrong"),
        (lambda raw: bytes(len(raw)), "its text cannot be read"),
        (lambda raw: None, "missing"),
    ],
    ids=[
        "empty",
        "in the head",
        "torn",
        "in the checksum",
        "flipped",
        "flipped head",
        "marked",
        "zeros",
        "missing",
    ],
)
def test_a_damaged_file_falls_back_and_says_so_in_one_line(store, spoil, why):
    """Requirement S9."""
    store.save("scenes", "calm", text(1))
    path = store.save("scenes", "calm", text(2))
    spoilt = spoil(path.read_bytes())
    path.unlink() if spoilt is None else path.write_bytes(spoilt)
    newest = store.load("scenes", "calm")
    assert newest.content == text(1).encode()
    (line,) = newest.warnings
    assert line.startswith(f"{path}: {why}")
    assert line.endswith(f"; {store.directory}/scenes/calm.1.yaml is used") and "\n" not in line
    # It never takes the place of a good one.
    store.save("scenes", "calm", text(4))
    assert program(store) == 4
    store.undo("scenes", "calm")
    assert program(store) == 1


def test_an_edit_counts_once_its_first_line_is_gone(store):
    store.save("scenes", "calm", text(1))
    path = store.save("scenes", "calm", text(2))
    path.write_text(path.read_text() + "hold: none\n")
    newest = store.load("scenes", "calm")
    assert newest.content == text(1).encode()
    assert "damaged, or edited (to keep an edit, delete the first line)" in newest.warnings[0]
    path.write_text("program: 2\nhold: none\n")
    assert store.load("scenes", "calm") == durable.Newest(path, b"program: 2\nhold: none\n")
    store.save("scenes", "calm", text(3))
    store.undo("scenes", "calm")
    assert store.load("scenes", "calm").content == b"program: 2\nhold: none\n"


def test_an_edit_with_its_first_line_is_kept_when_a_store_replaces_it(store):
    path = store.save("scenes", "calm", text(1))
    edited = path.read_text() + "hold: none\n"
    path.write_text(edited)
    store.save("scenes", "calm", text(2))
    assert path.with_name("calm.damaged.yaml").read_text() == edited
    assert store.names("scenes") == ["calm"]


def test_the_only_one_is_taken_even_with_a_wrong_checksum_if_it_reads(store):
    path = store.save("scenes", "calm", text(1))
    path.write_text(path.read_text() + "hold: none\n")
    newest = store.load("scenes", "calm")
    assert newest.content == b"program: 1\nhold: none\n"
    assert newest.warnings[0].endswith("; it is used, as there is no better one")
    path.write_text(path.read_text() + "hold: [\n")
    with pytest.raises(
        StoreError, match="no earlier one can be read: restore a backup or delete it$"
    ):
        store.load("scenes", "calm")


def test_temporary_files_that_a_cut_left_are_cleaned(store):
    store.save("scenes", "calm", text(1))
    left = [store.directory / ".session.json.tmp", store.directory / "scenes" / ".calm.yaml.tmp"]
    for path in left:
        path.write_bytes(b"# zerobeat sha")
    assert program(store) == 1 and store.names("scenes") == ["calm"]
    store.save("scenes", "calm", text(2))
    left[1].write_bytes(b"")
    store.clean()
    assert not any(path.exists() for path in left)
    assert files(store) == ["calm.1.yaml", "calm.yaml"]


# ---------------------------------------------------------------- a disk that refuses


@pytest.fixture
def disk() -> Iterator[Path]:
    with small_disk(kilobytes=64) as folder:
        yield folder


def test_a_full_disk_is_one_line_and_what_was_stored_is_there(disk):
    store = Store(disk)
    for number in (1, 2):
        store.save("scenes", "calm", text(number))
    with (
        (disk / "full").open("wb", buffering=0) as filler,
        pytest.raises(OSError, match="No space"),
    ):
        while True:
            filler.write(bytes(4096))
    for _ in range(3):
        with pytest.raises(StoreError) as caught:
            store.save("scenes", "calm", text(3))
        assert str(caught.value) == (
            f"{disk}/scenes/calm.yaml: not stored: no space left on device; "
            "free some space and store again"
        )
    assert program(store) == 2
    (disk / "full").unlink()
    store.save("scenes", "calm", text(3))
    store.undo("scenes", "calm")
    assert program(store) == 2 and files(store) == ["calm.1.yaml", "calm.2.yaml", "calm.yaml"]


def test_a_read_only_disk_is_one_line_and_loads_go_on(disk):
    """Requirement S8."""
    store = Store(disk)
    store.save("scenes", "calm", text(1))
    remount(disk, "ro")
    for other in (store, Store(disk), Store(disk / "new")):
        with pytest.raises(StoreError, match="not stored: read-only file system; make the state d"):
            other.save("scenes", "calm", text(2))
    other.clean()
    assert program(store) == 1
    remount(disk, "rw")
    store.save("scenes", "calm", text(2))
    assert program(store) == 2


def test_somebody_elses_directory_is_one_line(disk):
    store = Store(disk)
    store.save("scenes", "calm", text(1))
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setresgid(65534, 65534, 65534)
        os.setresuid(65534, 65534, 65534)
        try:
            said = f"{program(store)}"
            store.save("scenes", "calm", text(2))
        except StoreError as error:
            said += f" {error}"
        finally:
            os.write(writing, said.encode())
            os._exit(0)
    os.waitpid(child, 0)
    assert os.read(reading, 1000).decode() == (
        f"1 {disk}/scenes/calm.yaml: not stored: {disk}/scenes belongs to root; "
        "run zerobeat as root, or set STATE_DIRECTORY"
    )
    os.close(reading)
    os.close(writing)


def test_a_directory_that_vanishes_is_made_again(store):
    store.save("scenes", "calm", text(1))
    shutil.rmtree(store.directory)
    with pytest.raises(StoreError, match="nothing of that name is stored"):
        store.load("scenes", "calm")
    store.save("scenes", "calm", text(2))
    assert program(store) == 2


def test_a_file_where_a_folder_should_be_is_one_line(tmp_path):
    (tmp_path / "state").write_text("")
    with pytest.raises(StoreError, match=r"calm\.yaml: not stored: not a directory; [^\n]*$"):
        Store(tmp_path / "state").save("scenes", "calm", text(1))


# ---------------------------------------------------------------- in any order


class Storing(RuleBasedStateMachine):
    """Stores, undos, damage and edits in any order; ``known`` is newest first."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="zb"))
        self.store = Store(self.folder)
        self.path = self.store.path("scenes", "calm")
        self.known: list[bytes] = []
        self.count = 1000

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    def new(self) -> bytes:
        self.count += 1
        return text(self.count).encode()

    def stored(self, content: bytes) -> None:
        self.known = [content, *(other for other in self.known if other != content)][:6]
        newest = self.store.load("scenes", "calm")
        assert (newest.content, newest.warnings) == (content, ())
        kept = [durable.examine(path) for path in durable.generations(self.path)]
        assert [file.content for file in kept if file.is_valid] == self.known

    @rule()
    def save(self) -> None:
        content = self.new()
        self.store.save("scenes", "calm", content)
        self.stored(content)

    @precondition(lambda self: self.known)
    @rule(which=st.integers(0, 5))
    def save_an_earlier_one(self, which: int) -> None:
        content = self.known[which % len(self.known)]
        self.store.save("scenes", "calm", content)
        self.stored(content)

    @rule()
    def undo(self) -> None:
        if len(self.known) > 1:
            self.store.undo("scenes", "calm")
            self.stored(self.known[1])
        else:
            before = self.path.read_bytes() if self.path.exists() else None
            with pytest.raises(StoreError):
                self.store.undo("scenes", "calm")
            assert before == (self.path.read_bytes() if self.path.exists() else None)

    @rule(which=st.integers(0, 5), how=st.sampled_from(["cut", "empty", "zeros", "flip", "gone"]))
    def damage(self, which: int, how: str) -> None:
        path = durable.generation(self.path, which)
        found = durable.examine(path)
        if not found.is_valid or (found.state == "own" and how in ("cut", "flip")):
            return  # what has no checksum does not show such damage
        raw = path.read_bytes()
        spoilt = {"cut": raw[:-2], "empty": b"", "zeros": bytes(len(raw)), "flip": raw[:-1] + b"!"}
        path.unlink()
        if how != "gone":
            path.write_bytes(spoilt[how])
        self.known.remove(found.content)
        if self.known:
            newest = self.store.load("scenes", "calm")
            assert newest.content == self.known[0]
            if which == 0:
                assert len(newest.warnings) == 1 and newest.warnings[0].startswith(str(self.path))

    @rule()
    def edit(self) -> None:
        """The player writes the file, without a checksum."""
        if durable.examine(self.path).is_valid:
            self.known.pop(0)
        content = self.new()
        self.path.parent.mkdir(exist_ok=True)
        self.path.unlink(missing_ok=True)
        self.path.write_bytes(content)
        self.stored(content)

    @rule()
    def start_again(self) -> None:
        self.store = Store(self.folder)
        self.store.clean()


TestStoring = Storing.TestCase
TestStoring.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)

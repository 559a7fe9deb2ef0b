"""The state directory as one file and back: all of it, or nothing."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kit.syscall_faults import CHANGING, record, run_cut, run_failing
from zerobeat.errors import StoreError
from zerobeat.state import backup
from zerobeat.state.backup import SUMS, pack, read_backup, recover, unpack
from zerobeat.state.store import Store


def fill(directory: Path, program: int) -> Path:
    store = Store(directory)
    for number in (program - 1, program):
        store.save("scenes", "calm", f"program: {number}\n")
        store.save_session(b'{"n": %d}\n' % number)
    store.save("scenes", "Grüne Nacht", f"program: {program}\n")
    store.save("profiles", "reed", f"voice: reed{program}\n")
    (directory / "bindings.yaml").write_text(f"bindings: {program}\n")
    return directory


def tree(directory: Path) -> dict[str, bytes]:
    """Return what a state directory holds, but for what an unpack moved aside."""
    paths = [path for path in directory.rglob("*") if path.is_file()]
    names = {path.relative_to(directory).as_posix(): path.read_bytes() for path in paths}
    return {name: content for name, content in names.items() if not name.startswith(backup.BEFORE)}


@pytest.fixture
def packed(tmp_path):
    """A backup, and what it holds."""
    directory = fill(tmp_path / "packed", 5)
    pack(directory, tmp_path / "backup.tar.gz")
    return tmp_path / "backup.tar.gz", tree(directory)


# ---------------------------------------------------------------- there and back


def test_a_backup_brings_back_what_was_stored(packed, tmp_path):
    path, held = packed
    assert len(held) == 7
    names = unpack(path, tmp_path / "new" / "state")
    assert sorted(names) == sorted(held)
    assert tree(tmp_path / "new" / "state") == held
    assert Store(tmp_path / "new" / "state").load("scenes", "calm").content == b"program: 5\n"


def test_what_was_stored_before_is_moved_aside_whole(packed, tmp_path):
    path, held = packed
    directory = fill(tmp_path / "state", 9)
    (directory / "rig.last-good.yaml").write_text("inputs: {}\n")
    before = tree(directory)
    unpack(path, directory)
    assert tree(directory) == held
    assert tree(directory / backup.BEFORE) == before
    unpack(path, directory)  # again: only the last one is kept
    assert tree(directory) == held == tree(directory / backup.BEFORE)
    assert sorted(os.listdir(directory)) == [
        "before-unpack",
        "bindings.yaml",
        "profiles",
        "scenes",
        "session.1.json",
        "session.json",
    ]


def test_common_tools_read_a_backup(packed, tmp_path):
    path, held = packed
    subprocess.run(["tar", "-xzf", path, "-C", tmp_path], check=True)
    done = subprocess.run(["sha256sum", "-c", "--strict", SUMS], cwd=tmp_path, capture_output=True)
    assert done.returncode == 0 and done.stdout.count(b": OK") == len(held)


def test_other_files_of_the_directory_are_not_packed(tmp_path):
    directory = fill(tmp_path / "state", 5)
    for name in (".session.json.tmp", "scenes/.calm.yaml.tmp", "note.txt", "scenes/note.txt"):
        (directory / name).write_text("")
    pack(directory, tmp_path / "b.tar.gz")
    held = read_backup(tmp_path / "b.tar.gz")
    assert not any("tmp" in name or "note" in name for name in held)


# ---------------------------------------------------------------- refused


def test_pack_refuses_in_one_line_and_leaves_no_file(tmp_path):
    with pytest.raises(StoreError, match="state: found nothing stored; nothing to pack$"):
        pack(tmp_path / "state", tmp_path / "b.tar.gz")
    directory = fill(tmp_path / "state", 5)
    with pytest.raises(
        StoreError, match=r"b.tar.gz: not written: No such file or directory; [^\n]*$"
    ):
        pack(directory, tmp_path / "no" / "b.tar.gz")
    (tmp_path / "b.tar.gz").write_text("mine")
    with pytest.raises(StoreError, match="is there already; choose another name or remove it$"):
        pack(directory, tmp_path / "b.tar.gz")
    assert (tmp_path / "b.tar.gz").read_text() == "mine"
    assert sorted(os.listdir(tmp_path)) == ["b.tar.gz", "state"]


def archive(path: Path, members: list[tuple[tarfile.TarInfo, bytes]]) -> Path:
    """Write a backup with right checksums, whatever its members are."""
    sums = "".join(f"{hashlib.sha256(c).hexdigest()}  {m.name}\n" for m, c in members).encode()
    with tarfile.open(path, "w:gz") as file:
        for member, content in [(tarfile.TarInfo(SUMS), sums), *members]:
            member.size = len(content)
            file.addfile(member, io.BytesIO(content))
    return path


def member(name: str, kind: bytes = tarfile.REGTYPE, link: str = "") -> tarfile.TarInfo:
    made = tarfile.TarInfo(name)
    made.type, made.linkname = kind, link
    return made


HOSTILE = [
    member("../calm.yaml"),
    member("/etc/calm.yaml"),
    member("scenes/../../calm.yaml"),
    member("scenes/a/calm.yaml"),
    member("scenes/.calm.yaml"),
    member("scenes/.calm.yaml.tmp"),
    member("scenes/calm.sh"),
    member("scenes"),
    member("scenes/calm\n.yaml"),
    member("./scenes/calm.yaml"),
    member("rig.yaml"),
    member("sounding"),
    member("scenes/" + "x" * 300 + ".yaml"),
    member("scenes/calm.yaml", tarfile.SYMTYPE, "/etc/passwd"),
    member("scenes/calm.yaml", tarfile.LNKTYPE, "scenes/other.yaml"),
    member("scenes/calm.yaml", tarfile.CHRTYPE),
    member("scenes/calm.yaml", tarfile.FIFOTYPE),
    member("scenes", tarfile.SYMTYPE, "/tmp"),
    member("scenes/calm.yaml", tarfile.DIRTYPE),
]


@pytest.mark.parametrize("bad", HOSTILE, ids=lambda bad: f"{bad.name[:25]!r} {bad.type.decode()}")
def test_a_hostile_member_is_refused_and_nothing_changes(bad, tmp_path):
    directory = fill(tmp_path / "state", 9)
    before = tree(directory)
    good = (member("scenes/glass.yaml"), b"program: 1\n")
    path = archive(tmp_path / "bad.tar.gz", [good, (bad, b"")])
    with pytest.raises(
        StoreError, match=r"bad.tar.gz: found '[^\n]*; allowed: [^\n]*; nothing was c"
    ):
        unpack(path, directory)
    assert tree(directory) == before
    assert sorted(os.listdir(tmp_path)) == ["bad.tar.gz", "state"]


def test_a_member_twice_or_too_large_is_refused(tmp_path):
    good = (member("scenes/calm.yaml"), b"program: 1\n")
    with pytest.raises(StoreError, match="each once"):
        read_backup(archive(tmp_path / "twice.tar.gz", [good, (member("scenes/calm.yaml"), b"")]))
    with pytest.raises(StoreError, match="found 600,000 bytes; allowed: 500,000"):
        read_backup(archive(tmp_path / "large.tar.gz", [(member("session.json"), bytes(600_000))]))
    with gzip.open(tmp_path / "bomb.tar.gz", "wb", compresslevel=1) as bomb:
        for _ in range(80):
            bomb.write(bytes(1_000_000))
    with pytest.raises(StoreError, match="found too much; allowed: 64,000,000 bytes"):
        read_backup(tmp_path / "bomb.tar.gz")


def test_a_changed_missing_or_added_file_is_refused(packed, tmp_path):
    path, _held = packed
    whole = read_backup(path)
    for change, name in [
        ({"scenes/calm.yaml": b"program: 6\n"}, "scenes/calm.yaml"),
        ({"scenes/calm.yaml": None}, "scenes/calm.yaml"),
        ({"scenes/new.yaml": b"program: 6\n"}, "scenes/new.yaml"),
        ({SUMS: None}, "bindings.yaml, profiles/reed.yaml"),
        ({SUMS: b""}, "bindings.yaml, profiles/reed.yaml"),
    ]:
        with tarfile.open(tmp_path / "changed.tar.gz", "w:gz") as file:
            for key, content in {**whole, **change}.items():
                if content is not None:
                    made = member(key)
                    made.size = len(content)
                    file.addfile(made, io.BytesIO(content))
        with pytest.raises(StoreError, match=f"damaged: {name}.*; nothing was changed"):
            unpack(tmp_path / "changed.tar.gz", tmp_path / "state")
    assert not (tmp_path / "state").exists()


@settings(max_examples=300, deadline=None)
@given(
    at=st.integers(0, 10_000), change=st.integers(1, 255), cut=st.booleans(), inner=st.booleans()
)
def test_a_spoilt_backup_is_one_line_or_whole(tmp_path_factory, at, change, cut, inner):
    folder = tmp_path_factory.getbasetemp() / "spoilt"
    if not folder.exists():
        pack(fill(folder / "state", 5), folder / "b.tar.gz")
    whole = read_backup(folder / "b.tar.gz")
    raw = (folder / "b.tar.gz").read_bytes()
    raw = gzip.decompress(raw) if inner else raw
    at %= len(raw)
    spoilt = raw[:at] if cut else raw[:at] + bytes([raw[at] ^ change]) + raw[at + 1 :]
    (folder / "spoilt.tar.gz").write_bytes(gzip.compress(spoilt) if inner else spoilt)
    try:
        assert read_backup(folder / "spoilt.tar.gz") == whole
    except StoreError as error:
        assert "\n" not in str(error) and "spoilt.tar.gz: " in str(error)


def test_something_else_than_a_backup_is_one_line(tmp_path):
    for content in (b"", b"program: 1\n", gzip.compress(b""), gzip.compress(b"program: 1\n" * 99)):
        (tmp_path / "b").write_bytes(content)
        with pytest.raises(StoreError, match=r"b: damaged[^\n]*$"):
            unpack(tmp_path / "b", tmp_path / "state")
    with pytest.raises(StoreError, match=r"c: cannot be read: No such file or directory$"):
        unpack(tmp_path / "c", tmp_path / "state")
    assert not (tmp_path / "state").exists()


# ---------------------------------------------------------------- cut

UNPACKING = """
from zerobeat.state.backup import unpack
unpack(directory.parent / "backup.tar.gz", directory)
os.write(1, b"done")
"""


def test_an_unpack_that_was_cut_at_any_call_leaves_all_or_nothing(packed, tmp_path):
    """Killed at every call that changes something; ``recover`` is what the next start does."""
    _path, held = packed
    directory = tmp_path / "state"

    def again() -> dict[str, bytes]:
        shutil.rmtree(directory, ignore_errors=True)
        return tree(fill(directory, 9))

    before = again()
    calls = [call for call in record(UNPACKING, directory) if call.changes and not call.says]
    assert sum(call.name.startswith("rename") for call in calls) >= 10
    assert tree(directory) == held
    # Files are made ready one as the other; the moves are what matters.
    moves = [call for call in calls[4:] if call.name not in ("write", "fsync", "openat")]
    for call in calls[:4] + moves:
        again()
        said = run_cut(UNPACKING, directory, call)
        told = recover(directory)
        assert tree(directory) in ([held] if told or said else [before, held])
        assert len(told) <= 1 and recover(directory) == []
        assert not any(name.startswith(".") for name in os.listdir(directory))
        if tree(directory) == held:
            assert tree(directory / backup.BEFORE) == before


FAILING = """
from zerobeat.state.backup import unpack
try:
    unpack(directory.parent / "backup.tar.gz", directory)
except StoreError as error:
    print(error)
"""


def test_an_unpack_that_fails_is_one_line_and_leaves_all_or_nothing(packed, tmp_path):
    _, held = packed
    directory = tmp_path / "state"
    before = tree(fill(directory, 9))
    calls = [call for call in record(FAILING, directory, CHANGING) if call.changes]
    for call in calls[::4]:
        if call.says:
            continue
        shutil.rmtree(directory)
        fill(directory, 9)
        said = run_failing(FAILING, directory, call, "EIO")
        recover(directory)
        assert tree(directory) == held or (tree(directory) == before and said.count("\n") == 1)

"""``zerobeat backup`` and its restore, with and without a daemon's lock on the state directory."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT
from kit.jack import wait_until
from zerobeat.state import backup
from zerobeat.state.state_lock import StateLock
from zerobeat.state.store import Store


def ask(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {
        "XDG_RUNTIME_DIR": str(folder),
        "STATE_DIRECTORY": str(folder / "state"),
    }
    return subprocess.run(
        [*ZEROBEAT, "backup", *arguments], env=environment, capture_output=True, text=True
    )


@pytest.fixture
def store(tmp_path):
    store = Store(tmp_path / "state")
    store.save("scenes", "slow", "hold: note\n")
    store.save("scenes", "slow", "hold: trigger\n")
    store.save_session(b"{}")
    return store


def test_a_backup_goes_out_and_comes_back(store, tmp_path):
    file = tmp_path / "friday.tar.gz"
    done = ask(tmp_path, str(file))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{file}: 3 files from {store.directory}\n"
    store.save("scenes", "slow", "hold: none\n")
    store.save("scenes", "new", "hold: none\n")
    done = ask(tmp_path, "--restore", str(file))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        f"{file}: 3 files put back into {store.directory}",
        f"what was stored before is in {store.directory}/before-unpack",
    ]
    assert store.load("scenes", "slow").content == b"hold: trigger\n"
    assert store.names("scenes") == ["slow"]
    store.undo("scenes", "slow")
    assert store.load("scenes", "slow").content == b"hold: note\n"
    assert (store.directory / "before-unpack/scenes/new.yaml").exists()


def test_a_restore_under_a_daemon_is_refused_and_changes_nothing(store, tmp_path):
    file = tmp_path / "friday.tar.gz"
    ask(tmp_path, str(file))
    store.save("scenes", "slow", "hold: none\n")
    lock = StateLock(store.directory)
    done = ask(tmp_path, "--restore", str(file))
    lock.close()
    assert done.returncode == 1
    assert done.stderr == (
        f"{store.directory}: another zerobeat keeps its settings there; stop it first; "
        "nothing was changed\n"
    )
    assert store.load("scenes", "slow").content == b"hold: none\n"


def test_a_damaged_backup_makes_no_state_directory(tmp_path):
    file = tmp_path / "friday.tar.gz"
    file.write_bytes(b"no backup")
    done = ask(tmp_path, "--restore", str(file))
    assert done.returncode == 1 and done.stderr.startswith(f"{file}: ")
    assert done.stderr.count("\n") == 1 and not (tmp_path / "state").exists()


def test_a_backup_while_something_is_stored_is_of_one_moment(store, tmp_path):
    """Two files that are always stored in the same order never come out the other way round."""
    code = (
        "import sys, itertools, pathlib, time\n"
        "from zerobeat.state.store import Store\n"
        "store = Store(pathlib.Path(sys.argv[1]))\n"
        "for n in itertools.count(1):\n"
        "    for name in ('first', 'second'):\n"
        "        store.save('scenes', name, f'program: {n}\\n')\n"
        "    time.sleep(0.03)\n"
    )
    for number in range(200):  # so that reading takes as long as a few stores
        (store.directory / f"scenes/middle{number}.yaml").write_text("hold: note\n")
    writer = subprocess.Popen([sys.executable, "-c", code, str(store.directory)])
    try:
        wait_until(lambda: "second" in store.names("scenes"))
        for number in range(20):
            file = tmp_path / f"{number}.tar.gz"
            backup.pack(store.directory, file)
            contents = backup.read_backup(file)
            first, second = (
                int(contents[f"scenes/{name}.yaml"].split()[-1]) for name in ("first", "second")
            )
            assert first - second in (0, 1)
    finally:
        writer.kill()
        writer.wait()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_after_a_restore_by_root_the_daemons_user_can_store(store, tmp_path):
    file = tmp_path / "friday.tar.gz"
    ask(tmp_path, str(file))
    os.chown(store.directory, 65534, 65534)
    assert ask(tmp_path, "--restore", str(file)).returncode == 0
    for path in [store.directory, *store.directory.rglob("*")]:
        assert path.stat().st_uid == 65534, path

"""What systemd receives, on a real datagram socket (S4); the file that asks for a touch-up."""

import json
import os
import socket
from pathlib import Path

import pytest

from zerobeat.ports import notify


@pytest.fixture(params=["path", "abstract"])
def manager(request, tmp_path, monkeypatch):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        if request.param == "path":
            listening.bind(str(tmp_path / "notify"))
            monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        else:
            name = f"zerobeat-test-{os.getpid()}"
            listening.bind("\0" + name)
            monkeypatch.setenv("NOTIFY_SOCKET", "@" + name)
        listening.settimeout(1.0)
        yield listening


def test_states_arrive_as_lines(manager):
    assert notify.ready("playing, keys\nmissing")
    assert notify.status("scene 2")
    assert notify.watchdog()
    assert notify.stopping()
    heard = [manager.recv(4096) for _ in range(4)]
    assert heard == [
        b"READY=1\nSTATUS=playing, keys missing",
        b"STATUS=scene 2",
        b"WATCHDOG=1",
        b"STOPPING=1",
    ]


def test_a_manager_that_does_not_read_holds_nothing_up(manager):
    assert not all(notify.watchdog() for _ in range(10_000))


@pytest.mark.parametrize("address", [None, "", "nonsense", "/nowhere/notify", "@zerobeat-nobody"])
def test_without_a_listener_nothing_happens(monkeypatch, address):
    if address is None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    else:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert not notify.ready()


@pytest.mark.parametrize(
    ("usec", "pid", "seconds"),
    [
        ("2000000", None, 2.0),
        ("2000000", "own", 2.0),
        ("2000000", "1", None),
        ("x", None, None),
    ],
)
def test_watchdog_interval(monkeypatch, usec, pid, seconds):
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    if pid:
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)
    assert notify.watchdog_interval_s() == seconds


def test_no_watchdog_asked_for(monkeypatch):
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    assert notify.watchdog_interval_s() is None


UNITS = Path(__file__).resolve().parents[2] / "systemd"


def test_a_service_makes_the_file_that_the_path_unit_waits_for(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert notify.request_touch_up() and (tmp_path / notify.TOUCH_UP_FILE).exists()
    assert notify.request_touch_up()  # pressed again before it was taken
    wanted = f"PathExists=/run/zerobeat/{notify.TOUCH_UP_FILE}"
    assert wanted in (UNITS / "zerobeat-touchup.path").read_text()


def test_in_a_terminal_or_without_the_folder_no_file_is_made(tmp_path, monkeypatch):
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    assert not notify.request_touch_up()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "gone"))
    assert not notify.request_touch_up()


def test_the_page_is_asked_for_by_a_file_that_says_what_the_rig_says(tmp_path):
    path = tmp_path / "page.wanted"
    notify.request_page(tmp_path, False, (), True)
    assert list(tmp_path.iterdir()) == []
    notify.request_page(tmp_path, True, ("127.0.0.1:8080",), False)
    assert json.loads(path.read_text()) == {"addresses": ["127.0.0.1:8080"], "commands": False}
    notify.request_page(tmp_path, False, (), True)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OSError, match="No such file"):
        notify.request_page(tmp_path / "gone", True, (), True)

"""Every stage of the loop is made to fail while notes sound (M7, S8, invariant 7).

One real daemon. Python's own site hook puts a switch into each stage: a file names the stage
and what it does there, until the file has gone.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from kit.daemon_commands import ready, status, strike, zerobeat
from kit.daemon_process import DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.runtime_directory import SOCKET

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

STAGES = {
    "clients": ("ports.control", "ControlSocket.serve"),
    "disk": ("runtime.persistence", "Persistence.step"),
    "reload": ("runtime.rig_reload", "RigReload.result"),
    "connections": ("runtime.port_connections", "PortConnections.poll"),
    "watch": ("ports.watch", "Watch.poll"),
    "pedals": ("runtime.pedal_requests", "PedalRequests.step"),
    "notify": ("ports.notify", "watchdog"),
    "log": ("runtime.journal", "os.write"),  # in the log's own thread
    "store": ("state.store", "Store.save_session"),  # in the writer's own thread
    "waiting": ("ports.control", "ControlSocket.readers"),
    "settle": ("runtime.note_path", "NotePath.settle"),
    "picture": ("runtime.clients", "picture"),
    "child": ("runtime.child_process", "subprocess.Popen"),
    "folder": ("ports.mirror", "Mirror.is_there"),
}
FAULTS = ("ENOSPC", "EPIPE", "EMFILE", "EAGAIN", "ENOENT", "ENOMEM", "fault", "memory")
WAITS = ("log", "store")  # these may wait: they have threads
HOOK = """
import errno, os, time
from importlib import import_module
SWITCH = {switch!r}
def put(stage, module, path):
    owner = import_module("zerobeat." + module)
    *parts, name = path.split(".")
    for part in parts:
        owner = getattr(owner, part)
    real = getattr(owner, name)
    if parts and parts[-1] in ("os", "subprocess"):
        import types
        copy = types.SimpleNamespace(**vars(owner))
        setattr(import_module("zerobeat." + module), parts[-1], copy)
        owner = copy
    def switched(*args, **more):
        try:
            with open(SWITCH) as file:
                which, what = file.read().split()
        except (OSError, ValueError):
            return real(*args, **more)
        if which != stage:
            return real(*args, **more)
        if what == "block":
            time.sleep(2.0)
            return real(*args, **more)
        if what == "fault":
            raise RuntimeError("injected")
        if what == "memory":
            raise MemoryError
        raise OSError(getattr(errno, what), "injected")
    setattr(owner, name, switched)
import zerobeat.commands.run
for stage, (module, path) in {stages!r}.items():
    put(stage, module, path)
"""


def test_each_stage_may_fail_or_wait_while_notes_sound(tmp_path):
    switch = tmp_path / "switch"
    hook = tmp_path / "hook"
    hook.mkdir()
    (hook / "sitecustomize.py").write_text(HOOK.format(switch=str(switch), stages=STAGES))
    environment = {
        "PYTHONPATH": f"{hook}:{os.environ.get('PYTHONPATH', '')}",
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    with JackServer() as server, MidiRecorder("octo") as octo, MidiSender("keys") as keys:
        rig = write_rig(tmp_path, voices=2)
        with DaemonProcess(rig, dict(server.environment) | environment) as daemon:
            ready(daemon, octo)
            for stage in STAGES:
                for what in (*FAULTS, "block") if stage in WAITS else FAULTS:
                    play_through(daemon, keys, octo, switch, f"{stage} {what}")
                with Client(daemon.folder / "zerobeat" / SOCKET) as client:
                    assert client.status()["scene"], stage  # it answers again
            shown = status(daemon)
            assert shown["faults"] == 0  # no note was touched
            assert {"clients", "disk", "reload", "connections", "pedals"} <= set(
                shown["stage_faults"]
            )
            assert zerobeat(daemon, "reload")
            assert strike(keys, octo) == [60, 60]
            assert daemon.stop() == 0
        octo.wait_for_silence()
        assert open_notes(content for _, content in octo.heard) == set()


def play_through(
    daemon: DaemonProcess, keys: MidiSender, octo: MidiRecorder, switch: Path, setting: str
) -> None:
    """A key is held, the fault comes, the key is released, another is played, the fault goes."""
    before = len(octo.heard)

    def count(kind: int) -> int:
        return sum(content[0] & 0xF0 == kind for _, content in octo.heard[before:])

    keys.send(bytes((0x90, 60, 100)))
    wait_until(lambda: count(0x90) == 2, 3.0, f"note-ons before {setting}")
    temporary = switch.with_suffix(".new")
    temporary.write_text(setting)
    temporary.replace(switch)
    if "reload" in setting or "child" in setting or "log" in setting:
        os.kill(daemon.pid, 1)  # SIGHUP: something to do, and to say
    time.sleep(0.03)
    keys.send(bytes((0x80, 60, 64)))
    keys.send(bytes((0x90, 62, 100)))
    keys.send(bytes((0x80, 62, 64)))
    start_s = time.monotonic()
    wait_until(lambda: count(0x80) == 4, 3.0, f"note-offs during {setting}")
    assert time.monotonic() - start_s < 1.0, setting
    switch.unlink()
    assert not daemon.ended(), setting

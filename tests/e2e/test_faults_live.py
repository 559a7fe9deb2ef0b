"""An exception in any stage costs one event: logged, counted, and the next plays (M7)."""

from __future__ import annotations

import json
import os
import subprocess

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

# Put into the daemon by Python's own site hook: a stage that fails at key 61, whoever calls it.
HOOK = """
from importlib import import_module
owner = import_module("zerobeat.{module}")
for part in "{owner}".split("."):
    if part: owner = getattr(owner, part)
real = getattr(owner, "{name}")
def failing(*args, **more):
    if {when}:
        raise RuntimeError("injected")
    return real(*args, **more)
setattr(owner, "{name}", failing)
"""
STAGES = {
    "parse": ("midi", "", "parse", "list(args[0])[:2] == [0x90, 61]"),
    "engine": ("engine.engine", "Engine", "receive", "getattr(args[1], 'note', 0) == 61"),
    "wire": ("engine.wire", "Wire", "put", "any(getattr(m, 'note', 0) == 61 for _, m in args[1])"),
    "chain": ("engine.chain", "Chain", "target", "args[1] == 6100.0"),
}


def note_ons(octo, note):
    return [c for _, c in octo.heard if c[0] & 0xF0 == 0x90 and c[1] == note]


@pytest.mark.parametrize("stage", STAGES)
def test_the_next_event_plays(tmp_path, stage):
    module, owner, name, when = STAGES[stage]
    (tmp_path / "hook").mkdir()
    hook = HOOK.format(module=module, owner=owner, name=name, when=when)
    (tmp_path / "hook" / "sitecustomize.py").write_text(hook)
    with JackServer() as server, MidiRecorder("octo") as octo, MidiSender("keys") as keys:
        path = f"{tmp_path / 'hook'}:{os.environ.get('PYTHONPATH', '')}"
        environment = dict(server.environment) | {"PYTHONPATH": path}
        with DaemonProcess(write_rig(tmp_path), environment) as daemon:
            daemon.wait_for_line("connected: input keys, output octo")
            for _ in range(3):  # the fault, three times; told once
                keys.send(bytes((0x90, 61, 100)))
                keys.send(bytes((0x80, 61, 64)))
            keys.send(bytes((0x90, 64, 100)))
            wait_until(lambda: len(note_ons(octo, 64)) == 8)
            told = [
                line for line in daemon.lines() if line.startswith("fault at [90 3d 64] from keys")
            ]
            assert len(told) == 1, daemon.lines()
            if stage != "wire":  # that one's second fault is told under its own name
                assert daemon.lines().count("RuntimeError: injected") == 1
            done = subprocess.run(
                [*ZEROBEAT, "status", "--json"],
                env=daemon.environment,
                capture_output=True,
                text=True,
            )
            assert json.loads(done.stdout)["faults"] >= 3
            assert daemon.stop() == 0

"""A reload opens and closes ports while notes arrive (invariant 1, M7, M14)."""

from __future__ import annotations

import contextlib
import signal
import time

import pytest

from kit.daemon_commands import status
from kit.daemon_process import DaemonProcess, write_rig
from kit.jack import JackServer, wait_until
from kit.steady_notes import QueueRecorder, SteadyPlayer


@pytest.mark.parametrize("reloads", [3, pytest.param(30, marks=pytest.mark.slow)])
def test_no_note_is_lost_or_doubled_by_ports_that_come_and_go(tmp_path, reloads):
    rig = write_rig(tmp_path, voices=1)
    plain = rig.read_text().replace("gate_gap_ms: 2", "gate_gap_ms: 0")
    rig.write_text(plain)
    with (
        JackServer() as server,
        QueueRecorder("octo", server) as octo,
        SteadyPlayer("keys", server) as keys,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        keys.start()
        for number in range(reloads):
            time.sleep(0.05)
            feet = "".join(f'  feet{n}: {{port: "none:{n}"}}\n' for n in range((number + 1) % 3))
            quad = f'  quad{number}: {{port: "none:in", converter: {{}}}}\n' if number % 2 else ""
            text = plain.replace("inputs:\n", f"inputs:\n{feet}", 1)
            rig.write_text(text.replace("converters:\n", f"converters:\n{quad}", 1))
            daemon.send(signal.SIGHUP)
            daemon.wait_for_line("reload: the new rig is in force", number + 1)
        sent = keys.stop()
        with contextlib.suppress(TimeoutError):
            wait_until(lambda: octo.heard()[-1][:2] == sent[-1][:2], 3.0)
        time.sleep(0.1)  # one more would be one too many
        heard = [content for content in octo.heard() if content[0] in (0x80, 0x90)]
        assert status(daemon)["malformed"] == 0
    assert [content[:2] for content in heard] == [content[:2] for content in sent]
    assert [c for c in heard if c[0] == 0x90] == [c for c in sent if c[0] == 0x90]

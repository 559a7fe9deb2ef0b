"""After a cut and a boot the service has come up by itself and plays. Runs in the guest."""

from __future__ import annotations

from guest import VOICES, pid, press, sh, sink, source, status, wait

wait("start", lambda: pid() != 0 and sh("systemctl is-active zerobeat", check=False) == "active")
with source() as keys, sink() as quad:
    wait("connection", lambda: all(port["state"] == "connected" for port in status()["ports"]))
    press(keys, quad)
    assert len(quad.open_notes()) == VOICES
print("plays")

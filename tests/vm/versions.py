"""Old version, new version, back, under attack and cut short. Run in the guest by its own python3.

    versions.py [WORD IN A NAME]

The trees: /opt/old, whose units run zerobeat.app.cli and whose installer keeps no units, and
/opt/tree. In this order, on a machine where nothing is installed; user lab has no rights.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

from guest import (
    RIG,
    STATE,
    UNIT,
    journal,
    main,
    pid,
    plays,
    press,
    sh,
    show,
    sink,
    source,
    start,
    status,
    wait,
    write_rig,
)

CURRENT = "/opt/zerobeat/current"
PLACED = "/etc/systemd/system/zerobeat.service"
INSTALL = "systemd/install.sh --wheels /opt/wheels"
LONG_S = 900.0


def the_old_version_plays() -> None:
    """As its own installer leaves it; a scene is stored by it."""
    sh(f"bash /opt/old/{INSTALL}", timeout_s=LONG_S)
    write_rig()
    start()
    with source() as keys, sink() as quad:
        plays(keys, quad)
        sh("zerobeat set v1 detune_cents 3; zerobeat store; zerobeat set v1 detune_cents 0")
        sh("zerobeat hold none", check=False)
        plays(keys, quad)
    assert "-m zerobeat.app.cli run" in show("ExecStart")


def the_new_version_plays() -> None:
    """An upgrade while a key sounds: released, the units are the new ones, and it plays."""
    before = Path(PLACED).read_bytes()
    Path("/srv/old.service").write_bytes(before)
    with source() as keys, sink() as quad:
        plays(keys, quad)
        press(keys, quad)
        told = sh(f"bash /opt/tree/{INSTALL}", timeout_s=LONG_S)
        assert "zerobeat is installed" in told, told
        wait("release", lambda: not quad.open_notes(), 10.0)
        plays(keys, quad)
        _units_of("zerobeat")


def back_the_old_version_plays() -> None:
    """With its own units, byte for byte, and what was stored in between."""
    with source() as keys, sink() as quad:
        for turn in range(2):
            plays(keys, quad)
            sh("bash /opt/tree/systemd/install.sh --back")
            plays(keys, quad)
            _units_of("zerobeat.app.cli" if turn == 0 else "zerobeat")
            if turn == 0:
                assert Path(PLACED).read_bytes() == Path("/srv/old.service").read_bytes()
            assert "Traceback" not in journal(60), journal(60)
            assert "v1" in sh("zerobeat status --once")


def _units_of(module: str) -> None:
    assert f"-m {module} run" in show("ExecStart"), show("ExecStart")
    assert show("NeedDaemonReload") == "no"
    assert sh("systemctl is-enabled zerobeat.service zerobeat-touchup.path").split() == [
        "enabled",
        "enabled",
    ]
    assert sh("systemctl is-active zerobeat-touchup.path") == "active"
    version = os.readlink(CURRENT)
    python = os.path.realpath(f"/proc/{pid()}/cwd")
    assert python == "/"
    command = Path(f"/proc/{pid()}/cmdline").read_text().split("\0")
    assert command[0].startswith((version, CURRENT)), command


def a_version_that_does_not_start_is_undone() -> None:
    """It imports, and the daemon in it fails: the one before plays on, with its units."""
    shutil.rmtree("/opt/bad", ignore_errors=True)
    shutil.copytree("/opt/tree", "/opt/bad")
    command = Path("/opt/bad/daemon/zerobeat/commands/run.py")
    command.write_text(f"{command.read_text()}\ndef run(args): raise SystemExit(3)\n")
    before = (os.readlink(CURRENT), Path(PLACED).read_bytes())
    with source() as keys, sink() as quad:
        plays(keys, quad)
        told = sh(f"bash /opt/bad/{INSTALL} && echo done", check=False, timeout_s=LONG_S)
        assert "does not start" in told and "done" not in told.split(), told
        assert (os.readlink(CURRENT), Path(PLACED).read_bytes()) == before
        assert len([*Path("/opt/zerobeat").glob("*-*")]) == 2
        plays(keys, quad)


BAD = "/home/lab/bad"


def an_upgrade_under_attack_gains_nothing() -> None:
    """User lab, of group zerobeat, swaps the rig for links; root installs from lab's folder."""
    sh("usermod -aG zerobeat lab")
    shadow = "stat -c '%a %u %g' /etc/shadow /etc; sha256sum /etc/shadow"
    before = sh(shadow)
    good = RIG.read_text()
    lab = "runuser -u lab -- bash -c"
    sh(f"""{lab} 'mkdir -p {BAD}/ensurepip {BAD}/tmp; cd {BAD}
        for name in venv pip ensurepip/__init__ ensurepip/__main__ sitecustomize zerobeat rtmidi; do
            echo "open(\\"/srv/pwned\\", \\"a\\").write(__file__)" >$name.py; done
        for name in python3 dirname realpath id find stat sed systemctl grep mkdir install; do
            printf "#!/bin/sh\\necho $name >>/srv/pwned\\n" >$name; chmod 755 $name; done'""")
    swaps = (
        "rm -f rig.yaml; ln -s /etc/shadow rig.yaml; rm -f rig.yaml; ln -s /etc/nowhere rig.yaml"
    )
    swapping = subprocess.Popen(
        [
            "runuser",
            "-u",
            "lab",
            "--",
            "bash",
            "-c",
            f"cd /etc/zerobeat; while :; do {swaps}; done",
        ],
        start_new_session=True,
    )
    try:
        told = sh(
            f"cd {BAD}; umask 077; export PATH={BAD}:.:$PATH PYTHONPATH={BAD} TMPDIR={BAD}/tmp;"
            f" /opt/tree/{INSTALL}",
            timeout_s=LONG_S,
        )
    finally:
        os.killpg(swapping.pid, signal.SIGKILL)
        swapping.wait()
    assert "zerobeat is installed" in told, told
    assert sh(shadow) == before
    assert not Path("/srv/pwned").exists(), Path("/srv/pwned").read_text()
    assert not os.path.lexists("/etc/nowhere")
    RIG.unlink(missing_ok=True)
    RIG.write_text(good)
    start()
    with source() as keys, sink() as quad:
        plays(keys, quad)
    _units_of("zerobeat")


def a_dangling_link_is_no_half_an_upgrade() -> None:
    """In place of the rig: the last good one plays (C6)."""
    good = RIG.read_text()
    sh("runuser -u lab -- bash -c 'cd /etc/zerobeat; rm -f rig.yaml; ln -s /etc/nowhere rig.yaml'")
    with source() as keys, sink() as quad:
        try:
            told = sh(f"bash /opt/tree/{INSTALL}", timeout_s=LONG_S)
            assert "the service can't read it" in told, told
            plays(keys, quad)
            _units_of("zerobeat")
        finally:
            RIG.unlink(missing_ok=True)
            RIG.write_text(good)


def killed_amid_the_switch_it_plays_at_the_next_start() -> None:
    """SIGKILL to the installer once it has stopped the service; the next run is as any other."""
    with source() as keys, sink() as quad:
        plays(keys, quad)
        installer = subprocess.Popen(
            ["bash", f"/opt/tree/{INSTALL.split()[0]}", *INSTALL.split()[1:]],
            start_new_session=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait("stop", lambda: show("ActiveState") != "active", LONG_S)
        time.sleep(0.3)
        os.killpg(installer.pid, signal.SIGKILL)
        installer.wait()
        sh(f"systemctl daemon-reload; systemctl start {UNIT}")  # as a boot would
        plays(keys, quad)
        sh(f"bash /opt/tree/{INSTALL}", timeout_s=LONG_S)
        plays(keys, quad)
        _units_of("zerobeat")
    assert status()["ports"]
    assert STATE.is_dir()


def without_python_one_line_says_so() -> None:
    """And what is installed plays on."""
    sh("mv /usr/bin/python3 /usr/bin/python3.away")
    try:
        told = sh(f"bash /opt/tree/{INSTALL}", check=False).splitlines()
    finally:
        sh("mv /usr/bin/python3.away /usr/bin/python3")
    assert told[-1].startswith("install.sh: found no python3;"), told
    with source() as keys, sink() as quad:
        plays(keys, quad)


if __name__ == "__main__":
    sys.exit(main())

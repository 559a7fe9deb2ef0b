"""The built files of a version on a box without a network. Run in the guest by its own python3:

    release.py FOLDER [WORD IN A NAME]

FOLDER holds a stage bundle, unpacked, and a Debian package. In this order, on a machine where
nothing is installed; each upgrade and removal happens while notes sound.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

from guest import (
    IDLE_SLOWNESS,
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
    slowness,
    source,
    wait,
    write_rig,
)

FILES = Path(sys.argv.pop(1))
LONG_S = 3600.0
FIRST_NOTE_S = 300.0  # from the bundle, in a guest whose host is idle


def _bundle() -> Path:
    (found,) = FILES.glob("zerobeat-*/install")
    return found


def _package() -> Path:
    (found,) = FILES.glob("zerobeat_*.deb")
    return found


def _no_network() -> None:
    assert not sh("getent hosts example.org", check=False).strip(), "there is a network"


def a_package_is_there_to_be_upgraded() -> None:
    """For the power cuts, which the host makes."""
    sh(f"dpkg -i {_package()}", timeout_s=LONG_S)
    write_rig()
    sh(f"systemctl restart {UNIT}")
    with source() as keys, sink() as quad:
        plays(keys, quad, LONG_S)
    begin_s = time.monotonic()
    sh(f"dpkg -i {_package()}; sync", timeout_s=LONG_S)
    Path("/srv/upgrade-seconds").write_text(f"{time.monotonic() - begin_s:.0f}\n")


def a_bundle_plays_from_nothing() -> None:
    """Without a network, to the first corrected note: 5 minutes in the guest."""
    _no_network()
    assert not os.path.exists("/opt/zerobeat")
    slow = slowness()
    with source() as keys, sink() as quad:
        begin_s = time.monotonic()
        told = sh(f"bash {_bundle()}", timeout_s=LONG_S)
        assert "zerobeat is installed" in told, told
        installed_s = time.monotonic() - begin_s
        write_rig()
        sh("zerobeat check /etc/zerobeat/rig.yaml && systemctl reload zerobeat")
        plays(keys, quad)
        took_s = time.monotonic() - begin_s
    slow = (slow + slowness()) / 2
    print(
        f"    installed after {installed_s:.0f} s, first corrected notes after {took_s:.0f} s; "
        f"the guest is {slow:.0f} times slower than a real machine, {IDLE_SLOWNESS:.0f} if idle"
    )
    assert took_s < FIRST_NOTE_S * max(1.0, slow / IDLE_SLOWNESS)
    assert "stage bundle" in sh("zerobeat --version")


def a_bundle_is_upgraded_while_notes_sound() -> None:
    """The notes are released, the new version plays; rig and state stay."""
    _upgraded(f"bash {_bundle()}")
    with source() as keys, sink() as quad:
        plays(keys, quad)
        press(keys, quad)
        sh(f"bash {_bundle()} --back")
        wait("release", lambda: not quad.open_notes(), 10.0)
        plays(keys, quad)


def _upgraded(command: str) -> None:
    (STATE / "scenes").mkdir(exist_ok=True)
    (STATE / "scenes" / "kept.yaml").write_text("hold: note\n")
    rig, before = RIG.read_text(), pid()
    with source() as keys, sink() as quad:
        plays(keys, quad)
        at = press(keys, quad)
        begin_s = time.monotonic()
        process = subprocess.Popen(
            ["bash", "-c", command], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        wait("release", lambda: not quad.open_notes(), LONG_S)
        stopped_s = time.monotonic()
        kept_s = stopped_s - begin_s
        again_s = plays(keys, quad, LONG_S)
        told, _ = process.communicate()
        assert process.returncode == 0, told
        assert len(quad.heard) > at
        plays(keys, quad)
    print(f"    played on for {kept_s:.0f} s, silent for {again_s:.1f} s (emulated)")
    assert pid() != before
    assert RIG.read_text() == rig and (STATE / "scenes" / "kept.yaml").exists()
    assert "Traceback" not in journal(60), journal(60)


def a_bundle_is_removed_while_notes_sound() -> None:
    """And the player's files stay."""
    _removed(f"bash {_bundle()} --remove")
    assert not os.path.exists("/opt/zerobeat")


def _removed(command: str) -> None:
    with source() as keys, sink() as quad:
        plays(keys, quad)
        press(keys, quad)
        sh(command, timeout_s=LONG_S)
        wait("release", lambda: not quad.open_notes(), 10.0)
    assert RIG.exists() and (STATE / "scenes" / "kept.yaml").exists()
    assert sh(f"systemctl is-active {UNIT}", check=False) != "active"


def a_package_plays_with_the_rig_that_is_there() -> None:
    """From apt and a file, without a network."""
    _no_network()
    with source() as keys, sink() as quad:
        begin_s = time.monotonic()
        sh(f"dpkg -i {_package()}", timeout_s=LONG_S)
        plays(keys, quad, LONG_S)
        print(f"    first corrected notes after {time.monotonic() - begin_s:.0f} s (emulated)")
    assert "Debian package" in sh("zerobeat --version")
    assert show("FragmentPath").startswith(("/usr/lib/systemd", "/lib/systemd"))


def a_package_is_upgraded_while_notes_sound() -> None:
    """As the bundle."""
    _upgraded(f"dpkg -i {_package()}")


def a_package_is_removed_and_purged_while_notes_sound() -> None:
    """Removed: the player's files stay; purged: nothing does."""
    _removed("dpkg -r zerobeat")
    sh("dpkg --purge zerobeat", timeout_s=LONG_S)
    left = sh(
        "ls -d /etc/zerobeat /var/lib/zerobeat* /usr/lib/zerobeat /run/zerobeat "
        "/etc/systemd/system/*zerobeat* /etc/systemd/system/*/*zerobeat*",
        check=False,
    )
    assert all("No such file" in line for line in left.splitlines()), left
    assert not sh("getent passwd | grep zerobeat; getent group | grep zerobeat", check=False)


if __name__ == "__main__":
    sys.exit(main(by_name_alone=[a_package_is_there_to_be_upgraded]))

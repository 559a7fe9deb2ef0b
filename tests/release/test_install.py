"""Bundle and package on a bare Debian without a network: install, upgrade, back, remove, purge.

There is no service manager and no ALSA in these systems: what plays here is ``demo`` and
``render``; units are placed and enabled, and started in the virtual machine's scenarios.
"""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from kit.released import HERE
from release.errors import ReleaseError
from release.root import DebianRoot
from release.targets import version

pytestmark = pytest.mark.slow
LONGEST_INSTALL_S = 60.0
SCENE = "/var/lib/zerobeat/scenes/mine.yaml"
MINE = f"mkdir -p $(dirname {SCENE}) && echo mine | tee {SCENE} >/etc/zerobeat/rig.yaml"
KEPT = f"grep -q mine {SCENE} && grep -q mine /etc/zerobeat/rig.yaml"


def unpack(box: DebianRoot, target) -> str:
    name = f"zerobeat-{version()}-{target.name}"
    box.do(f"test -d ~/{name} || tar -xf /mnt/{name}.tar -C ~")
    return f"~/{name}"


def package(target) -> str:
    return f"/mnt/zerobeat_{version()}+deb{target.debian}_{target.debian_machine}.deb"


def install_package(box: DebianRoot, target) -> None:
    """As a player would: the package, and what it needs out of the bundle's folder."""
    bundle = unpack(box, target)
    options = "--no-install-recommends -o APT::Sandbox::User=root"  # /root is closed to others
    box.do(f"apt-get install -y -qq {options} {bundle}/debs/*.deb {package(target)}")


def emulated(target) -> bool:
    return target.machine != HERE


def test_a_bundle_on_a_bare_box_plays_within_a_minute(box, target, corrected):
    assert box.run("command -v python3").returncode != 0, "the system is not bare"
    assert box.run("ip route get 192.0.2.1").returncode != 0, "there is a network"
    start_s = time.monotonic()
    box.do(f"{unpack(box, target)}/install")
    corrected()
    took_s = time.monotonic() - start_s
    print(f"{target.name}: from nothing to the first corrected note in {took_s:.1f} s")
    if not emulated(target) and os.getloadavg()[0] < 2.0:  # else others take the machine's time
        assert took_s < LONGEST_INSTALL_S
    box.do("getent passwd zerobeat && test -e /etc/systemd/system/zerobeat.service")
    box.do("/opt/zerobeat/current/bin/python -c 'import rtmidi, alsa_midi, sounddevice, numpy'")


def test_a_bundle_again_and_back_keeps_rig_and_state(box, target, corrected):
    bundle = unpack(box, target)
    box.do(f"{bundle}/install && {MINE}")
    before = box.do("readlink /opt/zerobeat/current")
    time.sleep(1.0)  # versions are named after the second
    box.do(f"{bundle}/install")
    assert box.do("readlink /opt/zerobeat/current") != before
    box.do(KEPT)
    box.do(f"{bundle}/install --back")
    assert box.do("readlink /opt/zerobeat/current") == before
    corrected()
    box.do(f"{bundle}/install --remove && {KEPT} && ! test -e /opt/zerobeat")


def test_a_damaged_bundle_is_refused(box, target):
    bundle = unpack(box, target)
    box.do(f"echo x | tee -a {bundle}/wheels/mido-*.whl")
    with pytest.raises(ReleaseError, match="a file of the bundle is damaged: copy it again"):
        box.do(f"{bundle}/install")
    box.do("! test -e /opt/zerobeat")


def test_a_bundle_for_another_system_is_refused(box, target):
    bundle = unpack(box, target)
    box.do("sed -i 's/^VERSION_ID=.*/VERSION_ID=\"11\"/' /etc/os-release")
    with pytest.raises(ReleaseError, match=f"found Debian 11; .* for Debian {target.debian}"):
        box.do(f"{bundle}/install")


def test_a_package_from_install_to_purge(box, target, corrected):
    install_package(box, target)
    corrected()
    box.do(MINE)
    box.do("test -e /etc/systemd/system/multi-user.target.wants/zerobeat.service")
    box.do("test $(stat -c %a:%G /etc/zerobeat) = 2775:zerobeat")
    box.do(f"dpkg -i {package(target)} && {KEPT}")  # as an upgrade
    corrected()
    box.do(f"dpkg --remove zerobeat && {KEPT}")
    assert not box.do("ls -d /usr/lib/zerobeat /usr/bin/zerobeat 2>/dev/null || true")
    install_package(box, target)
    box.do(KEPT)
    box.do("dpkg --purge zerobeat")
    gone = box.do("find / -xdev -name '*zerobeat*' -not -path \"$HOME/*\" -not -path '/mnt/*'")
    assert not gone
    box.do("! getent passwd | grep zerobeat && ! getent group | grep zerobeat")


def test_an_upgrade_cut_short_leaves_a_version_that_plays(box, target, corrected):
    """Killed at ten moments from unpacking to the end: current is the old one or the new one."""
    if emulated(target):
        pytest.skip("moments are too slow to count under emulation")
    install_package(box, target)
    start_s = time.monotonic()
    box.do(f"dpkg -i {package(target)}")
    whole_s = time.monotonic() - start_s
    for moment in range(10):
        seconds = whole_s * (moment + 0.5) / 10
        box.run(f"timeout -s KILL {seconds:.2f} dpkg -i {package(target)}")
        corrected()
    box.do("dpkg --configure -a")
    box.do(f"dpkg -i {package(target)}")
    corrected()
    assert box.do("ls /usr/lib/zerobeat | grep -c ^20").strip() == "1"


def test_from_installer_to_package_and_back_keeps_rig_and_state(box, target, corrected):
    bundle = unpack(box, target)
    box.do(f"{bundle}/install && {MINE}")
    box.do("mkdir -p /etc/systemd/system/zerobeat.service.d")
    own = "[Service]\\nExecStart=\\nExecStart=/opt/zerobeat/current/bin/python -m zerobeat run\\n"
    box.do(f"printf '{own}' >/etc/systemd/system/zerobeat.service.d/override.conf")
    install_package(box, target)
    box.do(f"{KEPT} && ! test -e /etc/systemd/system/zerobeat.service")
    box.do("! test -e /usr/local/bin/zerobeat && ! test -e /etc/sysusers.d/zerobeat.conf")
    box.do("/opt/zerobeat/current/bin/python -m zerobeat --version")  # the player's own settings
    corrected()
    with pytest.raises(ReleaseError, match="the Debian package zerobeat is installed; first: apt"):
        box.do(f"{bundle}/install")
    box.do("apt-get remove -y -qq zerobeat")
    box.do(f"{bundle}/install && {KEPT}")
    corrected()


def test_from_the_version_before_and_back_with_its_state(box, target, built, corrected):
    told = os.environ.get("ZEROBEAT_DIST_BEFORE")
    if told is None:
        pytest.skip("ZEROBEAT_DIST_BEFORE names no folder with the version before")
    (before,) = Path(told).glob(f"*-{target.name}.tar")
    shutil.copy(before, built / "before.tar")
    box.do("mkdir ~/before && tar -xf /mnt/before.tar -C ~/before --strip-components=1")
    box.do(f"~/before/install && {MINE}")
    first = box.do("zerobeat --version")
    time.sleep(1.0)
    box.do(f"{unpack(box, target)}/install && {KEPT}")
    corrected()
    box.do("~/before/install --back")
    assert box.do("zerobeat --version") == first
    box.do(KEPT)


def test_the_test_is_on_a_system_of_its_own(box):
    box.do("touch /etc/only-here")
    assert box.run("test -e /etc/only-here").returncode == 0
    assert not Path("/etc/only-here").exists()

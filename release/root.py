"""A bare Debian in a folder to install into, mostly without a network: for tests and release/check.

The system is made once by debootstrap and kept in the cache; a run sees it through an overlay, in
mounts, a network and a process tree of its own, so nothing is left behind and nothing gets out.
There is no service manager in it: units can be installed and enabled, not started.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from .errors import ReleaseError
from .files import run
from .targets import Target, cache

SCRIPT = """\
set -e
mount -t overlay overlay -o "lowerdir=$1,upperdir=$2/upper,workdir=$2/work" "$2/system"
mount --bind "$3" "$2/system/mnt"
mount -t proc proc "$2/system/proc"
mount -t tmpfs tmpfs "$2/system/run"
mount -t devpts devpts "$2/system/dev/pts"
mkdir -p "$2/system/dev/shm"
mount -t tmpfs tmpfs "$2/system/dev/shm"
trusted=""
if [ -n "$5" ]; then  # names and certificates as this machine has them
    cat /etc/resolv.conf >"$2/system/etc/resolv.conf"
    trusted=/etc/ssl/of-the-host.crt
    install -D /etc/ssl/certs/ca-certificates.crt "$2/system$trusted" 2>/dev/null || trusted=""
fi
path=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
env -i "PATH=$path" HOME=/root LANG=C.UTF-8 DEBIAN_FRONTEND=noninteractive \
    ${trusted:+"PIP_CERT=$trusted"} chroot "$2/system" /bin/sh -ec "$4"
"""
EMULATOR = Path("/proc/sys/fs/binfmt_misc/qemu-aarch64")


def lacks(target: Target) -> str:
    """Return why no such system can run here, or nothing."""
    if os.geteuid() != 0:
        return "needs root for chroot and mounts"
    for program in ("debootstrap", "unshare"):
        if shutil.which(program) is None:
            return f"{program} is not installed"
    if target.machine != os.uname().machine and not EMULATOR.exists():
        return "no user-mode emulation: install qemu-user-static and register its binfmt"
    return ""


def bare(target: Target) -> Path:
    """Return the folder of the target's bare system; made if need be, in a minute or two.

    Raises:
        ReleaseError: it can't be made here.
    """
    if why := lacks(target):
        raise ReleaseError(f"{target.name}: {why}")
    folder = cache() / "bare" / target.name
    if not folder.exists():
        new = folder.with_suffix(".new")
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir(parents=True)
        run(["debootstrap", f"--arch={target.debian_machine}", target.codename, new])
        new.rename(folder)
    return folder


class DebianRoot:
    """One system to change; ``shared`` is seen inside as /mnt."""

    def __init__(
        self, target: Target, folder: Path, shared: Path, *, network: bool = False
    ) -> None:
        self._network = network
        self._bare = bare(target)
        self._folder = folder
        self._shared = shared
        for name in ("upper", "work", "system"):
            (folder / name).mkdir(parents=True, exist_ok=True)

    def run(self, line: str) -> subprocess.CompletedProcess[str]:
        """Run a shell line inside, as root, and return how it went."""
        apart = ["unshare", "--mount", "--pid", "--fork", "--kill-child"]
        if not self._network:
            apart.append("--net")
        places = [self._bare, self._folder, self._shared]
        return subprocess.run(
            [*apart, "sh", "-c", SCRIPT, "sh", *places, line, "yes" if self._network else ""],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
        )

    def do(self, line: str) -> str:
        """Run a shell line that must succeed; return what it printed.

        Raises:
            ReleaseError: it failed.
        """
        done = self.run(line)
        if done.returncode:
            raise ReleaseError(f"{line}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
        return done.stdout

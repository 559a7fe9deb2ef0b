"""A shared memory of this process's own, so that test runs side by side don't disturb each other.

JACK keeps the list of servers, the sockets and a database of port properties in ``/dev/shm``, one
of each for a user. A server that ends deletes the database, whoever uses it: a client that opens
at that moment, on any server, dies of a bus error (seen with four servers started and ended in
turn). In a mount namespace with a ``/dev/shm`` of its own a server has no neighbours.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
from functools import cache

# linux/sched.h. The second is for JACK's lock on its list of servers, a System V semaphore.
CLONE_NEWNS = 0x0002_0000
CLONE_NEWIPC = 0x0800_0000


@cache
def isolate_shared_memory() -> bool:
    """Give this process and its later children an empty ``/dev/shm``.

    Returns:
        False where that is not allowed: it takes root with CAP_SYS_ADMIN.
    """
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if os.getuid() != 0 or libc.unshare(CLONE_NEWNS | CLONE_NEWIPC) != 0:
            return False
    except (OSError, AttributeError):  # not Linux
        return False
    for mount in (
        ("--make-rprivate", "/"),
        ("-t", "tmpfs", "-o", "mode=1777", "none", "/dev/shm"),
    ):
        if subprocess.run(["mount", *mount], capture_output=True).returncode != 0:
            return False
    return True

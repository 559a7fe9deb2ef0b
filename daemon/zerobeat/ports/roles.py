"""Roles on the control socket: what a client asks to be, and what its user and group allow.

| role | may |
| --- | --- |
| `view` | `status`, `follow`, `listen`, `bindings`, `tuning` |
| `stage` | also `recall`, `trigger`, `cancel`, `panic`, `bypass`, `mute`, `following` |
| `measure` | as `view`, also `play`, `release`, `needle`, `touch_up`, the profiles, `panic` and
  `borrow_inputs` |
| `follow` | as `view`, also `expected`, `follow_move`, `follow_report` |
| `all` | everything |

The user who runs the daemon, and root, may be anything. A member of the groups
`zerobeat-view`, `zerobeat-stage`, `zerobeat-measure` or `zerobeat-follow` gets these roles and
no other, so that a unit with a user of its own may reach the socket by its file's group and
still be held to one role. Other members of the daemon's group may be anything; anybody else
only looks.
"""

from __future__ import annotations

import contextlib
import grp
import os
import socket
import struct
from pathlib import Path

VIEW = frozenset(("role", "status", "follow", "listen", "bindings", "tuning"))
STAGE = VIEW | {"recall", "trigger", "cancel", "panic", "bypass", "mute", "following"}
MEASURE = VIEW | {
    "play",
    "release",
    "needle",
    "touch_up",
    "put_profile",
    "undo_profile",
    "panic",
    "borrow_inputs",
}
FOLLOW = VIEW | {"expected", "follow_move", "follow_report"}
ROLE_COMMANDS: dict[str, frozenset[str] | None] = {  # None: every command
    "view": VIEW,
    "stage": STAGE,
    "measure": MEASURE,
    "follow": FOLLOW,
    "all": None,
}
SEATS = {"view": 12, "stage": 4, "measure": 4, "follow": 2, "all": 4}
# Of them, those that clients may keep to follow or listen; the others serve who asks and goes.
STREAM_SEATS = {"view": 10, "stage": 2, "measure": 2, "follow": 2, "all": 2}
GROUP = "zerobeat-{role}"
SO_PEERGROUPS = 59  # asm-generic/socket.h
MOST_GROUPS = 256  # Python asks a socket for 1,024 bytes at most; who is in more only looks
NOBODY = -1


def role_for(command: str) -> str:
    """Return the least role that may give a command."""
    return next(role for role, known in ROLE_COMMANDS.items() if known is None or command in known)


def may(roles: frozenset[str], command: str) -> bool:
    """True if one of the roles may give a command."""
    sets = [ROLE_COMMANDS[role] for role in roles]
    return any(known is None or command in known for known in sets)


class RolePolicy:
    """Says what the process at the other end of a connection may be.

    Groups are looked up once, for a look-up may wait for a network.
    """

    def __init__(self) -> None:
        self._own_user = os.geteuid()
        self._own_group = os.getegid()
        self._limits: dict[int, str] = {}
        self._hidden = _users_are_hidden()
        for role in ("view", "stage", "measure", "follow"):
            with contextlib.suppress(KeyError, OSError):
                self._limits[grp.getgrnam(GROUP.format(role=role)).gr_gid] = role

    def user_and_roles(self, link: socket.socket) -> tuple[int, frozenset[str]]:
        """Return the user at the other end, and the roles that it may ask for."""
        try:
            _, user, group = struct.unpack("3i", link.getsockopt(*_CREDENTIALS, 12))
        except OSError:
            return NOBODY, frozenset(("view",))
        try:
            groups = {group, *_groups(link)}
        except OSError:
            groups = set()
        return user, self.roles(user, groups)

    def roles(self, user: int, groups: set[int]) -> frozenset[str]:
        """Return the roles of a user in these groups."""
        if user in (0, self._own_user) or self._hidden:
            return frozenset(ROLE_COMMANDS)
        limits = {role for group, role in self._limits.items() if group in groups}
        if limits:
            return frozenset(limits | {"view"})
        return frozenset(ROLE_COMMANDS) if self._own_group in groups else frozenset(("view",))


_CREDENTIALS = (socket.SOL_SOCKET, socket.SO_PEERCRED)


def _groups(link: socket.socket) -> set[int]:
    """Return the other groups of the process at the other end.

    Raises:
        OSError: the kernel does not tell them, or they are more than ``MOST_GROUPS``.
    """
    content = link.getsockopt(socket.SOL_SOCKET, SO_PEERGROUPS, 4 * MOST_GROUPS)
    return {group for (group,) in struct.iter_unpack("I", content)}


def _users_are_hidden() -> bool:
    """True in a user namespace: there all other users look alike (user_namespaces(7))."""
    try:
        lines = Path("/proc/self/uid_map").read_text().split()
    except OSError:
        return False
    return lines[:3] != ["0", "0", "4294967295"]

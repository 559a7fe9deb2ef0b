"""What a user of the control socket may do, said in one line of JSON. Runs in a unit's sandbox.

role_probe.py [PATH ...]   also says which of the files and folders may be read and written
"""

from __future__ import annotations

import json
import os
import socket
import sys

SOCKET = "/run/zerobeat/control"
ROLES = ("view", "stage", "measure", "follow", "all")
# docs/control.md, Commands. Without their values most are refused, which is no matter here.
COMMANDS = (
    "status bindings tuning listen follow recall trigger cancel panic bypass mute following "
    "play release needle touch_up put_profile undo_profile borrow_inputs expected follow_move "
    "follow_report set set_scene tonight hold undo solo store revert bind forget reload"
).split()


def answer(link: socket.socket, number: int, received: bytes = b"") -> dict[str, object]:
    """Return the answer of that number; streams that were begun may come in between."""
    while True:
        *lines, received = received.split(b"\n")
        for line in lines:
            found = json.loads(line)
            if found.get("id") == number:
                return found
        part = link.recv(65_536)
        if not part:
            return {"ok": False, "error": "the connection was ended"}
        received += part


def asked(**values: object) -> str:
    """Return why one request is refused, on a connection of its own; "" if it is done."""
    with socket.socket(socket.AF_UNIX) as link:
        link.settimeout(60.0)
        link.connect(SOCKET)
        link.sendall(json.dumps({"zerobeat": 1, "id": 1, **values}).encode() + b"\n")
        found = answer(link, 1)
    return "" if found["ok"] else str(found["error"])


def internet() -> bool:
    try:
        socket.socket(socket.AF_INET).close()
    except OSError:
        return False
    return True


def main() -> None:
    said: dict[str, object] = {"user": os.geteuid(), "internet": internet()}
    said["read"] = [path for path in sys.argv[1:] if os.access(path, os.R_OK)]
    said["write"] = [path for path in sys.argv[1:] if os.access(path, os.W_OK)]
    try:
        said["roles"] = [role for role in ROLES if not asked(command="role", role=role)]
        refusals = {command: asked(command=command) for command in COMMANDS}
        said["may"] = [name for name, why in refusals.items() if "not allowed to role" not in why]
    except OSError as error:
        said["refused"] = error.strerror
    print(json.dumps(said), flush=True)


if __name__ == "__main__":
    main()

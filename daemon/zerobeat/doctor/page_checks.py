"""Checks of the page for the phone: does it answer where the rig says, and who can read it."""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from pathlib import Path

from ..client.daemon_client import socket_paths
from ..page.page_settings import read_served_settings, split_address
from .check_result import CheckResult, ok

PAGE_UNITS = (
    Path("/etc/systemd/system/zerobeat-page.path"),
    Path("/usr/lib/systemd/system/zerobeat-page.path"),
)
ANSWERS_S = 2.0
LOOPBACK_HOSTS = ("127.", "::1")


def page() -> Iterator[CheckResult]:
    """Check each address of the page, where a daemon's rig wants one."""
    folders = (path.parent for path in socket_paths() if path.is_socket())
    settings = next((s for s in map(read_served_settings, folders) if s is not None), None)
    if settings is None:
        return
    for address in settings.addresses:
        why = _not_answered(address)
        if why:
            remedy = (
                "systemctl status zerobeat-page; journalctl -u zerobeat-page -n 20"
                if any(unit.exists() for unit in PAGE_UNITS)
                else "zerobeat page"
            )
            yield CheckResult("warning", "page", f"http://{address}/: {why}", remedy)
        else:
            yield ok("page", f"http://{address}/ answers")
    if not all(address.strip("[").startswith(LOOPBACK_HOSTS) for address in settings.addresses):
        text = "whoever is on its network can read it, and hear what goes over it"
        yield CheckResult("note", "page", text, "give the box a network of its own: docs/page.md")


def _not_answered(address: str) -> str:
    """Return why an address does not answer; "" if it does."""
    host, port = split_address(address)
    link = http.client.HTTPConnection(host, port, timeout=ANSWERS_S)
    try:
        link.request("HEAD", "/")
        status = link.getresponse().status
    except OSError as error:
        return error.strerror or "does not answer"
    except http.client.HTTPException:
        return "something else answers there"
    finally:
        link.close()
    return "" if status == 200 else f"answers {status}: is it zerobeat's?"

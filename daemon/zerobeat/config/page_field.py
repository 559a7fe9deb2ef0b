"""The rig's key ``page``: the page for the phone.

page:
  enabled: true                    # the service serves it
  addresses: [192.168.4.1]         # of this computer; usual: 127.0.0.1
  commands: false                  # a picture only; usual: true
"""

from __future__ import annotations

from dataclasses import dataclass

from .faults import Faults
from .fields import Section, found, read_text
from .yaml_source import Listing, Node

PAGE_PORT = 8080
MOST_ADDRESSES = 8
LOOPBACK = f"127.0.0.1:{PAGE_PORT}"
PAGE_ADDRESSES = (
    "an IP address of this computer, with or without a port from 1024 on: "
    "192.168.4.1, 192.168.4.1:8080, [fd00::1]:8080"
)


@dataclass(frozen=True, slots=True)
class PageSettings:
    """What a rig says about the page.

    ``addresses`` are complete, as ``192.168.4.1:8080`` or ``[fd00::1]:8080``. Without
    ``commands`` no phone can change anything.
    """

    enabled: bool = False
    addresses: tuple[str, ...] = (LOOPBACK,)
    commands: bool = True


def read_page(section: Section) -> PageSettings:
    """Return what a rig says under ``page``; faults are added."""
    inner = section.section("page")
    if inner is None:
        return PageSettings()
    settings = PageSettings(
        enabled=inner.flag("enabled", False),
        addresses=_addresses(inner) or (LOOPBACK,),
        commands=inner.flag("commands", True),
    )
    inner.close()
    return settings


def _addresses(section: Section) -> tuple[str, ...]:
    nodes = section.items("addresses")
    listed = isinstance(section.table.entries.get("addresses"), Listing)
    if listed and not 0 < len(nodes) <= MOST_ADDRESSES:
        text = f"found {len(nodes)} addresses; allowed: 1 to {MOST_ADDRESSES}"
        section.faults.add(section.at("addresses"), text)
    kept: list[str] = []
    for node in nodes[:MOST_ADDRESSES]:
        address = _address(node, section.faults)
        if address in kept:
            section.faults.add(node.place, f"found {found(node)} a second time; allowed: once")
        elif address:
            kept.append(address)
    return tuple(kept)


def _address(node: Node, faults: Faults) -> str:
    """Return an address with its port, or add a fault and return ""."""
    text = read_text(node, faults, None)
    if text is None:
        return ""
    complete = complete_address(text)
    if not complete:
        faults.add(node.place, f"found {found(node)}; allowed: {PAGE_ADDRESSES}")
    return complete


def complete_address(text: str) -> str:
    """Return an IP address with a port, as in ``192.168.4.1:8080``; "" if it is none.

    >>> complete_address("fd00::1")
    '[fd00::1]:8080'
    """
    import ipaddress  # few rigs need it

    host, port = text, str(PAGE_PORT)
    if text.startswith("["):
        host, closed, rest = text[1:].partition("]")
        if not closed or (rest and not rest.startswith(":")):
            return ""
        port = rest[1:] if rest else port
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    if not (port.isascii() and port.isdecimal() and len(port) <= 5 and 1024 <= int(port) <= 65535):
        return ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return ""
    if address.is_multicast or address.is_unspecified or getattr(address, "scope_id", None):
        return ""
    return f"[{address}]:{int(port)}" if address.version == 6 else f"{address}:{int(port)}"

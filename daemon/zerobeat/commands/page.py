"""``zerobeat page``: serves the status to a phone; pairs phones and revokes them."""

from __future__ import annotations

import argparse
import io
import os
import sys
import time
from pathlib import Path

from ..errors import CommandError
from ..page.pairing_socket import ask_page

NO_CODE = "to have a code to scan as well: pip install 'zerobeat[page]'"
LOOPBACKS = ("http://127.", "http://[::1]")
WHITE_ON_BLACK, NORMAL = "\x1b[97;40m", "\x1b[0m"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = (
        "example: zerobeat page\n"
        "         zerobeat page --pair\n\n"
        "Serves what status shows as a page for a phone, where the rig says (page:\n"
        "addresses), else on this computer alone. Without pairing a phone only looks.\n"
        "Who is on the same network can read it, too: docs/page.md."
    )
    parser.add_argument("--socket", type=Path, help="the daemon's control socket")
    parser.add_argument(
        "--address",
        action="append",
        default=[],
        metavar="IP[:PORT]",
        help="where to serve it, instead of where the rig says; may be repeated",
    )
    parser.add_argument(
        "--while-enabled",
        action="store_true",
        help="end once the rig wants no page (for the service)",
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--pair", action="store_true", help="show a link that pairs one phone")
    what.add_argument("--phones", action="store_true", help="list the phones that are paired")
    what.add_argument(
        "--revoke", metavar="PHONE", help="a phone of --phones may give no more commands; or all"
    )


def run(args: argparse.Namespace) -> int:
    if args.pair:
        return _pair()
    if args.phones:
        return _phones()
    if args.revoke is not None:
        names = ask_page("revoke", phone=args.revoke)["revoked"]
        print(f"revoked: {', '.join(names) or 'none was paired'}")
        return 0
    addresses = _addresses(args.address)
    import asyncio

    from ..page.page_process import PageProcess

    async def serve() -> int:
        return await PageProcess(args.socket, addresses, args.while_enabled).run()

    return asyncio.run(serve())


def _addresses(texts: list[str]) -> list[str]:
    if not texts:
        return []
    from ..config.page_field import PAGE_ADDRESSES, complete_address  # loads the YAML reader

    addresses = [complete_address(text) for text in texts]
    for text, address in zip(texts, addresses, strict=True):
        if not address:
            raise CommandError(f"--address: found {text}; allowed: {PAGE_ADDRESSES}")
    return addresses


def _pair() -> int:
    answer = ask_page("pair")
    links = [str(link) for link in answer["links"]]
    print(f"open this on the phone within {answer['within_s'] / 60:.0f} minutes; it pairs one:")
    for link in links:
        print(f"  {link}")
    if all(link.startswith(LOOPBACKS) for link in links):
        print("only this computer itself can open that: name its address in the rig, as in")
        print("  page: {enabled: true, addresses: [192.168.4.1]}")
        return 0
    link = next(link for link in links if not link.startswith(LOOPBACKS))
    try:
        import segno
    except ImportError:
        print(NO_CODE, file=sys.stderr)
        return 0
    drawn = io.StringIO()
    segno.make(link, micro=False).terminal(drawn, compact=True, border=2)
    # Blocks are the light parts. On a terminal with a light background they would be dark, and
    # not every scanner reads such a code.
    painted = sys.stdout.isatty() and os.environ.get("TERM") != "dumb"
    for line in drawn.getvalue().splitlines():
        print(f"{WHITE_ON_BLACK}{line}{NORMAL}" if painted else line)
    return 0


def _phones() -> int:
    phones = ask_page("phones")["phones"]
    for name, since_s, by in phones:
        print(f"{name}  since {time.strftime('%Y-%m-%d %H:%M', time.localtime(since_s))}, by {by}")
    if not phones:
        print("no phone is paired")
    return 0

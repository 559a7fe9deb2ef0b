"""Links inside the tree's own documents: do they lead somewhere?"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#+ +(.*)$", re.MULTILINE)
CODE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)


def anchors(text: str) -> set[str]:
    """Return the anchors that a page's headings get where it is shown."""
    found = set()
    for heading in HEADING.findall(CODE.sub("", text)):
        plain = re.sub(r"[^\w\- ]", "", LINK.sub("", heading).lower())
        found.add(plain.strip().replace(" ", "-"))
    return found


def broken(pages: Iterable[Path]) -> list[str]:
    """Return a line for each link to a file or heading that is not there."""
    found = []
    for page in pages:
        for number, line in enumerate(page.read_text().splitlines(), 1):
            for link in LINK.findall(line):
                place, _, anchor = link.partition("#")
                if "://" in link or link.startswith("mailto:"):
                    continue
                target = page.parent / place if place else page
                if not target.exists():
                    found.append(f"{page}:{number}: {link}: no such file")
                elif anchor and anchor not in anchors(target.read_text()):
                    found.append(f"{page}:{number}: {link}: no such heading")
    return found

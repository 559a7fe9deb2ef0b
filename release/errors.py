"""What stops a release, as one line."""

from __future__ import annotations

import sys
from collections.abc import Callable


class ReleaseError(Exception):
    """A release can't be made; the text says what was found and what to do."""


def end(main: Callable[[], None]) -> int:
    """Run ``main``; return the exit status of the process."""
    try:
        main()
    except ReleaseError as error:
        print(f"error: {error}", file=sys.stderr)
        return 1
    return 0

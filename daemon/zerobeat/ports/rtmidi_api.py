"""The python-rtmidi library, or one line that says how to get it."""

from __future__ import annotations

import sys

from ..errors import MissingLibraryError
from .patch import Patch


def _remedy() -> str:
    if sys.version_info < (3, 13):
        return "install it: pip install python-rtmidi"
    # pip has none ready made for these; an environment sees the distribution's only if told to.
    seen = f", then: python3 -m venv --system-site-packages {sys.prefix}"
    inside = sys.prefix != sys.base_prefix
    return f"install python3-rtmidi of your distribution{seen if inside else ''}"


try:
    import rtmidi
except ImportError:
    raise MissingLibraryError("python-rtmidi", _remedy()) from None

__all__ = ["api_of", "rtmidi"]


def api_of(patch: Patch) -> int:
    """Return rtmidi's number of the backend."""
    return int(rtmidi.API_LINUX_ALSA if patch.backend == "alsa" else rtmidi.API_UNIX_JACK)

"""Text from outside: made printable for terminals and logs, checked before it is used."""

from __future__ import annotations

LONGEST_PRINTED = 3000


def printable(text: str, longest: int = LONGEST_PRINTED) -> str:
    """Return one line that a terminal or a log can take, at most ``longest`` characters.

    Control and format characters, line ends and lone surrogates are shown escaped, so that
    a name can neither move the cursor nor add a line of its own.

    >>> printable("keys\\x1b[2J\\n")
    'keys\\\\x1b[2J\\\\n'
    """
    if not text.isprintable():
        text = "".join(
            c if c.isprintable() else c.encode("unicode_escape").decode("ascii")
            for c in text[: longest + 1]
        )
    return text if len(text) <= longest else text[: longest - 3] + "..."


def printable_lines(text: str) -> str:
    """Return several lines, each of them ``printable``."""
    return "\n".join(printable(line) for line in text.splitlines())


def is_unicode(text: str) -> bool:
    """True unless ``text`` has lone surrogates, which no file and no socket can take."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, in the plural where it is not one.

    >>> counted(1, "voice"), counted(3, "voice")
    ('1 voice', '3 voices')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"

"""Texts fit to be shown and kept: secrets hidden, control bytes escaped."""

from __future__ import annotations

import re

HIDDEN = "***"
# user:password before an @, as addresses carry them (RFC 3986, 3.2.1), up to the last one: a password may contain
# another; the @ of a channel list stands behind a parenthesis
_CREDENTIALS = re.compile(r"[^\s:/@(),;\"']+:\S*(?<!\()@")
# SYSTem:PASSword and whatever else a header calls so: what follows is no one's business
_PASSWORD = re.compile(r"(?i)(\b[A-Z0-9:]*PASS(?:W|WORD|PHRASE)?(?::[A-Z0-9:]+)?\s+)((?:\"[^\"]*\"|'[^']*'|[^;])+)")


def without_secrets(text: str) -> str:
    """Return the text with credentials of addresses and arguments of password commands hidden."""
    if "@" in text:
        text = _CREDENTIALS.sub(f"{HIDDEN}@", text)
    if "pass" in text.lower():
        text = _PASSWORD.sub(rf"\g<1>{HIDDEN}", text)
    return text


def escaped(text: str) -> str:
    r"""Return the text in printable ASCII on one line: other characters as ``\n``, ``\x1b`` and the like."""
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return text.encode("unicode_escape").decode("ascii")

"""Channels of an instrument, as they are named in a message.

Sources: SCPI-1999 volume 1, 8.3.2 (channel lists), 6.2.5.2 (numeric suffixes).
"""

from __future__ import annotations

import re

from drivers.virtual.grammar import Element, Kind
from drivers.virtual.scpi_errors import ScpiError

CHANNELS = (1, 2)
_LIST = re.compile(r"\(\s*@\s*([0-9]{1,4})\s*\)")
_NUMBERED = re.compile(r"\[([A-Za-z]+)\{n\}\]|([A-Za-z]+)\{n\}")


def channel_of(elements: tuple[Element, ...]) -> tuple[int, tuple[Element, ...]]:
    """The channel that the list at the end names, and the other elements.

    :raises ScpiError: -109 without a list, -171 for one of another form, -224 for a channel that is not there.
    """
    if not elements or elements[-1].kind is not Kind.EXPRESSION:
        raise ScpiError(-109)
    match = _LIST.fullmatch(elements[-1].text)
    if match is None:
        raise ScpiError(-171)
    if int(match[1]) not in CHANNELS:
        raise ScpiError(-224, elements[-1].text)
    return int(match[1]), elements[:-1]


def second_of(header: str) -> str:
    """A header with the number 2 where a number may stand; a node with a number cannot be left out."""
    return _NUMBERED.sub(lambda match: f"{match[1] or match[2]}2", header)

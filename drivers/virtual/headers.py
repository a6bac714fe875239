"""The tree of headers of a device: short and long forms, optional nodes, numeric suffixes.

Sources: SCPI-1999 volume 1, 6.2 (headers, long and short forms, numeric suffixes, the header path); notation
of volume 2: capitals are the short form, square brackets mark what may be left out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Generic, TypeVar

from drivers.virtual.scpi_errors import ScpiError

_PATTERN_NODE = re.compile(r"(?P<optional>\[)?:?(?P<long>[A-Za-z_]+)(?:\[?(?P<suffix>[1-9])\]?)?\]?")
_WORD = re.compile(r"(?P<mnemonic>[A-Z_*][A-Z0-9_]*?)(?P<suffix>[0-9]*)")
LeafT = TypeVar("LeafT")


@dataclass(frozen=True, slots=True)
class Node:
    """One node of a header: its two spellings, in capitals.

    :param number: the numeric suffix that it takes, of which 1 may be left out; 0 when it takes none.
    """

    short: str
    long: str
    optional: bool
    number: int

    def fits(self, mnemonic: str) -> bool:
        """Whether a mnemonic without its number is one of the two spellings."""
        return mnemonic in (self.short, self.long)


@cache
def nodes_of(pattern: str) -> tuple[Node, ...]:
    """Nodes of a header in the notation of the standard, such as ``[SOURce[1]]:VOLTage[:LEVel]``."""
    found: list[Node] = []
    for match in _PATTERN_NODE.finditer(pattern):
        long = match["long"]
        short = "".join(character for character in long if not character.islower())
        found.append(Node(short, long.upper(), bool(match["optional"]), int(match["suffix"] or 0)))
    return tuple(found)


class HeaderTree(Generic[LeafT]):
    """Headers of a device, each with what belongs to it; commands and queries apart."""

    def __init__(self) -> None:
        self._headers: dict[bool, list[tuple[tuple[Node, ...], LeafT]]] = {False: [], True: []}
        self._common: dict[tuple[str, bool], LeafT] = {}
        self._found: dict[tuple[tuple[str, ...], bool], LeafT] = {}

    def add(self, pattern: str, leaf: LeafT) -> None:
        """Add a header; a question mark at the end makes it a query."""
        query = pattern.endswith("?")
        if pattern.startswith("*"):
            self._common[pattern.rstrip("?"), query] = leaf
        else:
            self._headers[query].append((nodes_of(pattern.rstrip("?")), leaf))

    def find(self, words: tuple[str, ...], *, query: bool) -> LeafT:
        """What belongs to a header.

        :param words: its mnemonics in capitals, from the root.
        :raises ScpiError: -113 when there is no such header, -114 when only its number is wrong.
        """
        if (words, query) not in self._found:
            self._found[words, query] = self._search(words, query=query)
        return self._found[words, query]

    def _search(self, words: tuple[str, ...], *, query: bool) -> LeafT:
        written = ":".join(words) + ("?" if query else "")
        if words[0].startswith("*"):
            if (words[0], query) not in self._common:
                raise ScpiError(-113, written)
            return self._common[words[0], query]
        parts = [_split(word) for word in words]
        wrong_number = False
        for nodes, leaf in self._headers[query]:
            fits = _fit(nodes, parts)
            if fits is True:
                return leaf
            wrong_number = wrong_number or fits is None
        raise ScpiError(-114 if wrong_number else -113, written)


def _split(word: str) -> tuple[str, str]:
    match = _WORD.fullmatch(word)
    return (word, "") if match is None else (match["mnemonic"], match["suffix"])


def _fit(nodes: tuple[Node, ...], parts: list[tuple[str, str]]) -> bool | None:
    """Whether words fit nodes; None when they do but for a number that is out of range."""
    if not nodes:
        return not parts
    node, rest = nodes[0], nodes[1:]
    if parts and node.fits(parts[0][0]):
        number = parts[0][1]
        if number and not node.number:
            return False
        fits = _fit(rest, parts[1:])
        if fits is not False:
            return (
                fits if not node.number or (number.lstrip("0") or "0" if number else "1") == str(node.number) else None
            )
    return _fit(rest, parts) if node.optional else False

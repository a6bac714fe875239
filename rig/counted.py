"""So many of a thing, in words."""

from __future__ import annotations


def counted(count: int, one: str, many: str = "") -> str:
    """A number with its noun: 1 unit, 2 units.

    :param many: the noun of several, where it is not that of one with an s.
    """
    return f"{count} {one if count == 1 else many or f'{one}s'}"

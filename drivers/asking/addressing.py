"""The ways in which an instrument with several channels is told which one is meant."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from drivers.asking.asker import Spelling

CHANNEL_MARK = "#"
"""Stands in a header where a channel's number may go (``SOUR#:VOLT``)."""


class Way(StrEnum):
    """How a channel is named."""

    NONE = "none"
    SUFFIX = "suffix"
    """A number behind a node of the header (SCPI-1999 volume 1, 6.2.5.2)."""
    LIST = "list"
    """A channel list behind the parameters (SCPI-1999 volume 1, 8.3.2)."""
    SELECT = "select"
    """A command of its own before it (SCPI-1999 volume 2, 9: INSTrument)."""


@dataclass(frozen=True, slots=True)
class Addressing:
    """One way to name one channel.

    :param select: the command that selects it, where that is the way.
    """

    way: Way
    channel: int = 1
    select: str = ""

    def fits(self, header: str) -> bool:
        """Whether a header can be used in this way."""
        return self.way is not Way.SUFFIX or CHANNEL_MARK in header

    def spelling(self, header: str, argument: str, *, asks: bool = True) -> Spelling:
        """Return a setting and the query about it.

        :param argument: program data, with the setting's name in braces; empty for a command without any.
        """
        command = f"{header} {argument}" if argument else header
        return Spelling(self._said(command, "," if argument else " "), self.query(header) if asks else "")

    def query(self, header: str) -> str:
        """Return the question about a header."""
        return self._said(f"{header}?", " ")

    def _said(self, text: str, before_list: str) -> str:
        number = str(self.channel) if self.way is Way.SUFFIX else ""
        said = text.replace(CHANNEL_MARK, number)
        if self.way is Way.LIST:
            return f"{said}{before_list}(@{self.channel})"
        return f"{self.select};:{said.removeprefix(':')}" if self.way is Way.SELECT else said

    def __str__(self) -> str:
        """Return what a person calls it."""
        match self.way:
            case Way.NONE:
                return "no channel"
            case Way.SUFFIX:
                return f"channel {self.channel} as a number in the header"
            case Way.LIST:
                return f"channel list (@{self.channel})"
            case Way.SELECT:
                return f"channel selected by {self.select}"


def ways_to(channel: int | None) -> tuple[Addressing, ...]:
    """Return the ways to reach a channel, the likeliest first.

    Without a channel wanted, none is named where that does; else the first is. A first channel that is wanted is
    named where it can be: what goes to no channel in particular may go to another.
    """
    number = 1 if channel is None else channel
    named = (
        Addressing(Way.LIST, number),
        # before the suffix: where a channel is selected, suffix 1 often means whichever is
        Addressing(Way.SELECT, number, f"INST:NSEL {number}"),
        Addressing(Way.SELECT, number, f"INST:SEL CH{number}"),
        Addressing(Way.SELECT, number, f"INST:SEL OUT{number}"),
        Addressing(Way.SELECT, number, f"INST:SEL OUTP{number}"),
        Addressing(Way.SUFFIX, number),
    )
    if channel is None:
        return (Addressing(Way.NONE), *named)
    return (*named, Addressing(Way.NONE)) if channel == 1 else named

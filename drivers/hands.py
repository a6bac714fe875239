"""The port through which somebody handles a unit on a bench: its trims, controls, plug and leads.

On a real bench these are an operator's hands and a prompt tells them what to do; a virtual bench offers them
to a program.
"""

from __future__ import annotations

from typing import Protocol


class Hands(Protocol):
    """What hands can do to the unit on the bench."""

    def insert(self, unit_serial: str) -> None:
        """Put the unit with this serial on the bench in place of the one that lies there; it comes without
        power.

        :raises LookupError: there is no such unit.
        """
        ...

    def power(self, on: bool) -> None:
        """Switch the unit's supply on or off."""
        ...

    def turn(self, trim: str, turns: float) -> None:
        """Turn a trim by ``turns`` turns, clockwise positive; it stops turning the resistance at its end
        stops.

        :raises LookupError: the unit has no such trim.
        """
        ...

    def set_control(self, control: str, position: str) -> None:
        """Put a switch or knob of the unit at a position.

        :raises LookupError: the unit has no such control, or the control no such position.
        """
        ...

    def connect_meter(self, to: str) -> None:
        """Move the meter's lead to ``"source"`` (the CV at the unit's jack) or ``"rail"`` (the unit's
        reference).

        :raises LookupError: there is no such point.
        """
        ...

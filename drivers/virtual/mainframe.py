"""A virtual mainframe: several instruments behind one link, of which one is selected at a time.

Source: SCPI-1999 volume 2, 9 (INSTrument:NSELect: what is said from then on goes to the instrument selected).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.virtual.device import Command, Device
from drivers.virtual.parameters import Number
from drivers.virtual.scpi_errors import ScpiError

if TYPE_CHECKING:
    from drivers.clock import Clock

IDENTITY = ("Virtual bench", "mainframe", "VF-0001", "1.0")


class Mainframe(Device):
    """The mainframe as a SCPI device: error queue and status are its own, everything else is the selected slot's."""

    def __init__(self, clock: Clock, slots: tuple[Device, ...], *, latency_s: float) -> None:
        super().__init__(clock, IDENTITY, latency_s)
        self._slots = slots
        number = Number(1, len(slots), 1, whole=True)
        self.add_number("INSTrument:NSELect", number, self._select, lambda: self.selected)

    def find(self, words: tuple[str, ...], *, query: bool) -> Command:
        """Its own commands, else those of the selected slot."""
        try:
            return super().find(words, query=query)
        except ScpiError as own:
            if words[0].startswith("*"):
                raise own from None
            return self._slots[self.selected - 1].find(words, query=query)

    def reset(self) -> None:
        """All slots reset, the first selected."""
        self.selected = 1
        for slot in self._slots:
            slot.reset()

    def refresh(self) -> None:
        """Bring the slots up to date."""
        for slot in self._slots:
            slot.refresh()

    def _select(self, number: float) -> None:
        self.selected = int(number)

"""The virtual thermometer, and a platinum probe that a virtual meter may read: both in the room of the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.virtual.device import Device
from drivers.virtual.parameters import real
from drivers.virtual.personality import THERMOMETERS
from drivers.virtual.randomness import stream

if TYPE_CHECKING:
    from drivers.clock import Clock
    from drivers.virtual.configuration import ThermometerConfiguration

IDENTITY = ("Virtual bench", "thermometer", "VT-0001", "1.0")
DIGITS = 6
OHM_AT_ZERO = 100.0


def platinum_ohm(celsius: float) -> float:
    """Resistance of an industrial platinum probe of 100 ohm above 0 degrees Celsius (IEC 60751:2008, 4.2)."""
    return OHM_AT_ZERO * (1.0 + 3.9083e-3 * celsius - 5.775e-7 * celsius**2)


class VirtualThermometer(Device):
    """The thermometer as a SCPI device; how wrong it is stays the same."""

    def __init__(
        self, clock: Clock, room_c: float, configuration: ThermometerConfiguration, *, latency_s: float, seed: int
    ) -> None:
        super().__init__(clock, IDENTITY, latency_s, THERMOMETERS[configuration.personality])
        self.room_c = room_c
        limits_k = configuration.limits_k
        self.error_k = float(stream(seed, "thermometer", "accuracy").uniform(-limits_k, limits_k))
        self._resolution_k = configuration.resolution_k
        self.add("MEASure[:SCALar]:TEMPerature?", self._answer, unit="CEL")

    def reset(self) -> None:
        """It has nothing to set."""

    def refresh(self) -> None:
        """It is always ready."""

    def _answer(self) -> str:
        steps = round((self.room_c + self.error_k) / self._resolution_k)
        return real(steps * self._resolution_k, DIGITS)

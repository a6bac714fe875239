"""The room in which a unit is measured: its temperature by a thermometer of the bench, or as somebody typed it."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

from rig.errors import BenchProblem
from rig.science.temperature import platinum_celsius

if TYPE_CHECKING:
    from drivers.thermometer import Thermometer
    from rig.bench import Bench
    from rig.bench_roles import ThermometerRole

BY_THERMOMETER, BY_HAND = "thermometer", "by hand"
BY_HAND_LIMITS_K = 1.0
"""Common practice: what a wall thermometer that somebody looked at is worth."""
COLDEST_C, HOTTEST_C = -20.0, 60.0
"""No unit is measured in a room beyond these: a probe that says so is broken, or another than the bench file says."""
DIFFERENT_K = 3.0
UNITS = {"thermometer": "CEL", "platinum": "OHM", "voltage": "V"}


@dataclass(frozen=True, slots=True)
class Room:
    """Temperature of the room with its standard uncertainty, and by what it is known."""

    celsius: float
    standard_uncertainty_k: float
    by: str

    @property
    def sentence(self) -> str:
        """The room in one sentence."""
        return f"Room: {self.celsius:.1f} degrees Celsius ± {2.0 * self.standard_uncertainty_k:.1f} ({self.by})."


def room_now(bench: Bench, by_hand_c: float | None) -> Room | None:
    """The room at this moment: the bench's thermometer, else what was typed; None where there is neither.

    :raises BenchProblem: the thermometer says what no room has, or something quite else than was typed.
    """
    if bench.thermometer is None or bench.file.thermometer is None:
        return None if by_hand_c is None else Room(by_hand_c, BY_HAND_LIMITS_K / sqrt(3.0), BY_HAND)
    about = bench.file.thermometer
    celsius = _celsius(bench.thermometer, about)
    if by_hand_c is not None and abs(by_hand_c - celsius) > DIFFERENT_K:
        raise BenchProblem(
            f"The thermometer at {bench.thermometer.session.resource} says {celsius:.1f} degrees Celsius, and "
            f"--ambient {by_hand_c:.1f}: leave --ambient out, or see to the thermometer."
        )
    return Room(celsius, about.standard_uncertainty_k, BY_THERMOMETER)


def _celsius(thermometer: Thermometer, about: ThermometerRole) -> float:
    read = thermometer.read(UNITS[about.kind])
    try:
        celsius = _of_probe(read, about)
    except ValueError:
        celsius = float("nan")
    if not COLDEST_C <= celsius <= HOTTEST_C:
        raise BenchProblem(
            f"The thermometer at {thermometer.session.resource} reads {read:g} {UNITS[about.kind]}, which is no room: "
            "see to its probe, or to thermometer.kind and its sensitivity in the bench file."
        )
    return celsius


def _of_probe(read: float, about: ThermometerRole) -> float:
    match about.kind:
        case "platinum":
            return platinum_celsius(read, about.ohm_at_zero)
        case "voltage":
            return (read - about.volts_at_zero) / (about.volts_per_kelvin or float("nan"))
        case _:
            return read

"""Faults that no trim cures, put into a unit that would be sound without them. Each is far outside."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import TYPE_CHECKING

from drivers.virtual.unit import TrimKind, UnitDescription

if TYPE_CHECKING:
    import numpy as np

CENTS = 1200.0
BEYOND_REACH = (1.4, 2.0)
"""Scale error over what the trim cures from mid-travel to its stop."""
STEP_ERROR = (0.01, 0.04)
LEAKAGE_CENTS = (30.0, 60.0)
"""Rise at the lowest note. About 20 cents could still be hidden by a steeper scale and a sharp top."""
DRIFT_CENTS_PER_MINUTE = (1.5, 3.0)
DRIFT_AT_S = 3600.0
BOARD_TIME_CONSTANT_S = 2400.0
UNCOMPENSATED_PER_K = -3.3e-3
"""Uncompensated converter about its pivot: -1/T, about 3300 ppm/K near 300 K (handbooks)."""


class Fault(StrEnum):
    """What can be wrong with a unit that no trim cures."""

    DEAD_STAGE = "dead_stage"
    SCALE_OUT_OF_TRAVEL = "scale_out_of_travel"
    OCTAVE_RESISTOR = "octave_resistor"
    LEAKAGE = "leakage"
    SLOW_WARM_UP = "slow_warm_up"


def with_fault(
    unit: UnitDescription, fault: Fault, ends_hz: tuple[float, float], generator: np.random.Generator
) -> UnitDescription:
    """The unit with a fault.

    :param ends_hz: lowest and highest note played.
    :param generator: draws how bad it is.
    """
    match fault:
        case Fault.DEAD_STAGE:
            return _dead(unit, output=generator.uniform() < 0.5)
        case Fault.SCALE_OUT_OF_TRAVEL:
            return _scale_beyond(unit, _either_sign(generator) * generator.uniform(*BEYOND_REACH))
        case Fault.OCTAVE_RESISTOR:
            position = int(generator.integers(1, len(unit.rail.switch_octaves)))
            return _step_off(unit, position, _either_sign(generator) * generator.uniform(*STEP_ERROR))
        case Fault.LEAKAGE:
            leakage_hz = ends_hz[0] * (2.0 ** (generator.uniform(*LEAKAGE_CENTS) / CENTS) - 1.0)
            return unit.model_copy(update={"core": unit.core.model_copy(update={"leakage_hz": leakage_hz})})
        case Fault.SLOW_WARM_UP:
            return _uncompensated(unit, ends_hz, generator.uniform(*DRIFT_CENTS_PER_MINUTE))


def _either_sign(generator: np.random.Generator) -> float:
    return math.copysign(1.0, generator.standard_normal())


def _dead(unit: UnitDescription, *, output: bool) -> UnitDescription:
    """The unit with a dead output, or else with a dead CV input."""
    if output:
        return unit.model_copy(update={"output": unit.output.model_copy(update={"alive": False})})
    return unit.model_copy(update={"input": unit.input.model_copy(update={"connected": False})})


def _step_off(unit: UnitDescription, position: int, error: float) -> UnitDescription:
    """The unit with one position of its octave switch off by a relative error."""
    steps = list(unit.rail.switch_octaves)
    steps[position] *= 1.0 + error
    return unit.model_copy(update={"rail": unit.rail.model_copy(update={"switch_octaves": tuple(steps)})})


def _scale_beyond(unit: UnitDescription, reaches: float) -> UnitDescription:
    """The unit with a scale error so many times what its trim can do from mid-travel to a stop."""
    common = unit.trim_of(TrimKind.SCALE_COMMON)
    name = common or unit.trim_of(TrimKind.SCALE_INPUT)
    if name is None:
        return unit
    error = reaches * unit.trims[name].reach
    changed = {"scale_error": error} if common else {"slope": 1.0 + error}
    return unit.model_copy(update={"core": unit.core.model_copy(update=changed)})


def _uncompensated(unit: UnitDescription, ends_hz: tuple[float, float], cents_per_minute: float) -> UnitDescription:
    """The unit with a converter that nothing compensates, still warming up after an hour.

    The board's rise is such that, an hour after power-on, the end of the range farther from the pivot still
    moves by ``cents_per_minute``.
    """
    farthest_octaves = max(abs(math.log2(end_hz / unit.core.pivot_hz)) for end_hz in ends_hz)
    cents_per_k = CENTS * abs(UNCOMPENSATED_PER_K) * farthest_octaves
    time_constant_s = BOARD_TIME_CONSTANT_S
    rise_k = cents_per_minute / cents_per_k * time_constant_s / 60.0 * math.exp(DRIFT_AT_S / time_constant_s)
    thermal = unit.thermal.model_copy(
        update={
            "scale_per_k": UNCOMPENSATED_PER_K,
            "offset_octaves_per_k": 0.0,
            "board_rise_k": rise_k,
            "board_time_constant_s": time_constant_s,
        }
    )
    return unit.model_copy(update={"thermal": thermal})

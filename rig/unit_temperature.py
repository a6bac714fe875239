"""What the temperature of the room does to a unit, from its visits in rooms that differ."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.counted import counted
from rig.errors import WrongInput
from rig.product import Product
from rig.science.temperature import RoomTemperature, coefficient_of
from rig.science.tracking import jacobian, predict
from rig.tomlfile import check

if TYPE_CHECKING:
    from collections.abc import Sequence

    from db.settings_history import FittedSweep
    from rig.science.temperature import TemperatureCoefficient

LEAST_SWEEPS = 2
COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class UnitTemperature:
    """Coefficient of one oscillator of a unit, and the visits that it comes from."""

    serial: str
    oscillator: str
    base_cv_v: float
    coefficient: TemperatureCoefficient
    visits: int
    coldest_c: float
    warmest_c: float

    @property
    def sentence(self) -> str:
        """The coefficient in one sentence."""
        pitch, scale = self.coefficient.pitch, self.coefficient.scale
        name = f"{self.serial} {self.oscillator}".rstrip()
        return (
            f"{name}: pitch {pitch.value:+.3f} ± {COVERAGE * pitch.standard_uncertainty:.3f} cents per kelvin at "
            f"{self.base_cv_v:g} V, scale {scale.value:+.4f} ± {COVERAGE * scale.standard_uncertainty:.4f} "
            f"cents per octave per kelvin (95 %), from {self.visits} visits in rooms of {self.coldest_c:.1f} to "
            f"{self.warmest_c:.1f} degrees Celsius, if nobody turned a trim between them."
        )


def temperature_of_unit(serial: str, sweeps: Sequence[FittedSweep]) -> tuple[UnitTemperature, ...]:
    """Coefficient of each oscillator, from the sweeps of one setting of its trims whose rooms differ most.

    Sweeps by other meters or counters do not count together: what such an instrument is off by would no longer cancel.

    :raises WrongInput: there are too few sweeps with a known temperature, or their rooms are too near.
    """
    known = [each for each in sweeps if each.ambient_c is not None]
    groups: defaultdict[tuple[str, int, frozenset[object]], list[FittedSweep]] = defaultdict(list)
    for each in known:
        groups[each.oscillator, each.setting, frozenset(each.instruments)].append(each)
    best: dict[str, list[FittedSweep]] = {}
    for (oscillator, _, _), group in groups.items():
        if len({each.visit_id for each in group}) >= LEAST_SWEEPS and _spread_k(group) > _spread_k(
            best.get(oscillator, [])
        ):
            best[oscillator] = group
    if not best:
        raise WrongInput(
            f"{serial} has {counted(len(known), 'sweep')} in a room of known temperature, and no two of them at one "
            "setting of its trims with the same instruments: check it again in a warmer or colder room, without "
            "turning anything."
        )
    return tuple(_coefficient(serial, oscillator, group) for oscillator, group in sorted(best.items()))


def _spread_k(group: Sequence[FittedSweep]) -> float:
    rooms_c = [each.ambient_c for each in group if each.ambient_c is not None]
    return max(rooms_c) - min(rooms_c) if rooms_c else -1.0


def _coefficient(serial: str, oscillator: str, group: Sequence[FittedSweep]) -> UnitTemperature:
    product = check(tomllib.loads(group[-1].product_toml), Product, "product file of the record")
    at = np.asarray(product.law.law().octaves(np.array([product.range.base_cv_v])))
    lines, covariances, rooms = [], [], []
    for each in group:
        terms = np.array(each.terms)
        rows = np.vstack([jacobian(terms, at)[0], [0.0, 1.0, 0.0, 0.0]])
        lines.append([float(predict(terms, at)[0]), each.terms[1]])
        covariances.append(rows @ np.array(each.covariance) @ rows.T)
        rooms.append(RoomTemperature(each.ambient_c or 0.0, each.ambient_standard_uncertainty_k or 0.0))
    try:
        found = coefficient_of(lines, covariances, rooms)
    except ValueError as error:
        raise WrongInput(f"{serial}: {error}.") from None
    rooms_c = [room.celsius for room in rooms]
    visits = len({each.visit_id for each in group})
    return UnitTemperature(serial, oscillator, product.range.base_cv_v, found, visits, min(rooms_c), max(rooms_c))

"""The meter on the range that its accuracy is stated for, and seen to be there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.errors import BenchDoubt, BenchProblem, MaybeOff

if TYPE_CHECKING:
    from drivers.meter import Meter
    from rig.bench_roles import MeterRole
    from rig.specification import RangeSpecification

SAME_RANGE = 1.5
"""Ranges lie apart by more, and what one is named by by less (10 V or 12 V). Common practice."""


DEAD_SHARE = 0.1
"""Of its nominal value: a rail below is none."""


def odd_rail(said: str, voltage_v: float, nominal_v: float) -> BenchDoubt:
    """What is wrong where a rail is read that cannot be: the lead, or the unit's power where there is nothing at all.

    :param said: what was read, as the begin of a sentence.
    """
    if abs(voltage_v) < DEAD_SHARE * abs(nominal_v):
        return MaybeOff(f"{said}: has the unit power, and does the meter's lead make contact with the rail?")
    return BenchDoubt(f"{said}: is the meter's lead on the rail, and does it make contact?")


def configure_range(meter: Meter, role: MeterRole, voltage_v: float) -> RangeSpecification:
    """Put the meter on the smallest range of the bench file that holds a voltage, and ask it whether it is there.

    A meter that cannot say is believed.

    :raises BenchProblem: no range holds it, or the meter stands on another one.
    """
    chosen = role.range_for(voltage_v)
    meter.configure_dc(chosen.range_v, role.integration_cycles)
    stands_v = meter.range_in_use()
    if stands_v is not None and not chosen.range_v / SAME_RANGE < stands_v < chosen.range_v * SAME_RANGE:
        raise BenchProblem(
            f"The meter stands on its range of {stands_v:g} V where {chosen.range_v:g} V was asked for, so what the "
            "bench file states of it does not hold: write the ranges that this meter has into the bench file."
        )
    return chosen

"""Uncertainty budgets of what is not in a sweep: rail, octave steps, knob, drift."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from rig.budgets import ABOUT_LINE, CENTS, REPEATABILITY, that_count
from rig.science.budget import Budget, Distribution, Input, from_half_width

if TYPE_CHECKING:
    from rig.budgets import Stated
    from rig.product import Product
    from rig.science.drift import DriftRate

DRIFT_BETWEEN = "the first position read again says how far; cents"


def rail_budget(voltage_v: float, standard_uncertainty_v: float, readings: int, stated: Stated) -> Budget:
    """Rail: what the meter may be off, and how its readings scattered.

    :param standard_uncertainty_v: of the mean, with the meter's limits in it.
    :param stated: of the range in which the rail was read.
    """
    limits_v = stated.meter_gain * abs(voltage_v) + stated.meter_offset_v
    scatter_v = sqrt(max(0.0, standard_uncertainty_v**2 - limits_v**2 - stated.meter_resolution_v**2))
    inputs = (
        Input("meter, limits of error", Distribution.RECTANGULAR, limits_v, source="bench file; reading and range"),
        Input("meter, resolution", Distribution.RECTANGULAR, stated.meter_resolution_v, source="bench file"),
        Input(
            REPEATABILITY,
            Distribution.STUDENT,
            scatter_v,
            1.0,
            float(readings - 1),
            f"standard deviation of the mean of {readings}",
        ),
    )
    return Budget("rail voltage", voltage_v, "V", that_count(inputs))


def octave_step_budget(
    position: str, value_cents: float, there_octaves: float, lowest_octaves: float, drift_cents: float = 0.0
) -> Budget:
    """Octave step: two readings at one CV, of which the meter's, source's and time base's errors cancel.

    :param there_octaves: standard uncertainty of the reading at the position;  lowest_octaves: at the first one.
    :param drift_cents: what the unit may drift between the two, plus and minus.
    """
    inputs = (
        _reading("reading there", there_octaves, CENTS),
        _reading("reading at the first position", lowest_octaves, -CENTS),
        from_half_width("drift in between", drift_cents, source=DRIFT_BETWEEN),
    )
    return Budget(f"octave step {position}", value_cents, "cents", that_count(inputs))


def knob_range_budget(value_cents: float, low_octaves: float, high_octaves: float, drift_cents: float = 0.0) -> Budget:
    """Knob range: readings at both stops."""
    inputs = (
        _reading("reading at the high stop", high_octaves, CENTS),
        _reading("reading at the low stop", low_octaves, -CENTS),
        from_half_width("drift in between", drift_cents, source=DRIFT_BETWEEN),
    )
    return Budget("knob range", value_cents, "cents", that_count(inputs))


def knob_centre_budget(
    value_cents: float,
    low_octaves: float,
    middle_octaves: float,
    high_octaves: float,
    repeatability_cents: float,
    drift_cents: float = 0.0,
) -> Budget:
    """Knob centre: the middle, set by hand, against the mean of the stops.

    :param drift_cents: what the unit may drift between the three, plus and minus.
    """
    inputs = (
        Input(
            "hand that sets the middle",
            Distribution.NORMAL,
            repeatability_cents,
            source="repeatability of the product file, cents",
        ),
        _reading("reading at the middle", middle_octaves, CENTS),
        _reading("reading at the low stop", low_octaves, -0.5 * CENTS),
        _reading("reading at the high stop", high_octaves, -0.5 * CENTS),
        from_half_width("drift in between", drift_cents, source=DRIFT_BETWEEN),
    )
    return Budget("knob centre", value_cents, "cents", that_count(inputs))


def drift_budget(end: str, rate: DriftRate, readings: int) -> Budget:
    """Drift rate at one end of the range, by a straight line through ``readings`` of the last window of warm-up."""
    return Budget(
        f"drift, {end} end",
        rate.rate_cents_per_minute,
        "cents/min",
        (
            Input(
                ABOUT_LINE,
                Distribution.STUDENT,
                rate.standard_uncertainty,
                1.0,
                float(max(1, readings - 2)),
                f"{readings} readings, the larger of stated noise and scatter seen",
            ),
        ),
    )


def readings_of_a_window(product: Product) -> int:
    """How many readings of each CV the last window of warm-up holds."""
    return int(product.warm_up.window_s / product.warm_up.interval_s) + 1


def _reading(name: str, octaves: float, sensitivity: float) -> Input:
    return Input(name, Distribution.NORMAL, octaves, sensitivity, source="counter and noise of the unit, octaves")

"""Findings on what is not in a sweep: rail, octave steps, knob, drift; each with its budget."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING

from rig.assess import judged
from rig.budgets import stated_of
from rig.control_budgets import (
    drift_budget,
    knob_centre_budget,
    knob_range_budget,
    octave_step_budget,
    rail_budget,
    readings_of_a_window,
)
from rig.science.characterisation import SourceCurve

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.assess import Finding
    from rig.budgets import Stated
    from rig.stages.pitch_readings import Pitch
    from rig.stages.survey import KnobPitches, Voltage
    from rig.stages.warm_up import WarmedUp

CENTS = 1200.0
RAIL_READINGS = 5


def stated_for_sweeps(acquisition: Acquisition) -> Stated:
    """What the calibrations state today of the meter's range by which the CV is known, and of the rest."""
    full, bench = acquisition.product.range.full, acquisition.bench
    highest_v = max(abs(full.low_v), abs(full.high_v))
    line = acquisition.line
    return stated_of(
        bench.file,
        highest_v,
        bench.today,
        acquisition.ambient_c,
        curve_degrees_of_freedom=line.degrees_of_freedom if isinstance(line, SourceCurve) else inf,
        meter=bench.file.on_the_cv,
    )


def control_findings(
    acquisition: Acquisition,
    rail: Voltage | None,
    octaves: tuple[Pitch, ...],
    knob: KnobPitches | None,
    noise_inflation: float,
) -> tuple[Finding, ...]:
    """Findings on rail, steps and knob.

    :param noise_inflation: how many times noisier than expected the sweep was: the unit was so here as well.
    """
    product = acquisition.product
    limits, rule = product.limits, product.decision_rule
    findings: list[Finding] = []
    if rail is not None and limits.rail is not None:
        permitted, bench = limits.rail, acquisition.bench
        stated = stated_of(bench.file, permitted.nominal_v, bench.today, acquisition.ambient_c)
        budget = rail_budget(rail.voltage_v, rail.standard_uncertainty_v, rail.readings, stated)
        findings.append(
            judged("rail", "Reference rail", budget, permitted.plus_minus_v, rule, nominal=permitted.nominal_v)
        )
    if octaves and limits.octave_step_cents is not None and product.controls.octave is not None:
        switch, lowest = product.controls.octave, octaves[0]
        lowest_u = noise_inflation * lowest.standard_uncertainty
        for position, nominal, pitch in zip(switch.positions[1:], switch.octaves[1:], octaves[1:], strict=True):
            value = CENTS * (pitch.octaves - lowest.octaves - nominal)
            there_u, drift_cents = noise_inflation * pitch.standard_uncertainty, CENTS * pitch.drift_octaves
            budget = octave_step_budget(position, value, there_u, lowest_u, drift_cents)
            name, label = f"octave_step_{position}", f"Octave step {position}"
            findings.append(judged(name, label, budget, limits.octave_step_cents, rule))
    if knob is not None and product.controls.knob is not None:
        findings += _knob_findings(acquisition, knob, product.controls.knob.repeatability_cents, noise_inflation)
    return tuple(findings)


def _knob_findings(
    acquisition: Acquisition, knob: KnobPitches, repeatability_cents: float, noise_inflation: float
) -> list[Finding]:
    product = acquisition.product
    limits, rule = product.limits, product.decision_rule
    findings = []
    nominal_octaves = product.controls.knob.range_octaves if product.controls.knob is not None else 0.0
    low, middle, high = (noise_inflation * each.standard_uncertainty for each in (knob.low, knob.middle, knob.high))
    if limits.knob_range_cents is not None:
        drift_cents = CENTS * knob.high.drift_octaves
        budget = knob_range_budget(CENTS * knob.range_octaves, low, high, drift_cents)
        nominal = CENTS * nominal_octaves
        findings.append(judged("knob_range", "Knob range", budget, limits.knob_range_cents, rule, nominal=nominal))
    if limits.knob_centre_cents is not None:
        # one drift moves both, so they add up
        drift_cents = CENTS * (knob.middle.drift_octaves + 0.5 * knob.high.drift_octaves)
        value = CENTS * knob.centre_octaves
        budget = knob_centre_budget(value, low, middle, high, repeatability_cents, drift_cents)
        note = "a hand sets the middle"
        findings.append(judged("knob_centre", "Knob centre", budget, limits.knob_centre_cents, rule, note=note))
    return findings


def drift_findings(acquisition: Acquisition, warmed: WarmedUp) -> tuple[Finding, ...]:
    """Drift at both ends of the range, over the last window of warm-up."""
    product = acquisition.product
    readings = readings_of_a_window(product)
    return tuple(
        judged(
            f"drift_{end}",
            f"Drift when warm, {end} end",
            drift_budget(end, rate, readings),
            product.limits.drift_cents_per_minute,
            product.decision_rule,
        )
        for end, rate in (("low", warmed.low), ("high", warmed.high))
    )

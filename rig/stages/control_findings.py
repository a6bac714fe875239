"""Findings on what is not in a sweep: rail, octave steps, knob, drift."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.assess import judged

if TYPE_CHECKING:
    from rig.acquire import Acquisition
    from rig.assess import Finding
    from rig.stages.survey import KnobPitches, Pitch, Voltage
    from rig.stages.warm_up import WarmedUp

CENTS = 1200.0


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
        findings.append(
            judged(
                "rail",
                "Reference rail",
                "V",
                rail.voltage_v,
                rail.standard_uncertainty_v,
                limits.rail.plus_minus_v,
                rule,
                nominal=limits.rail.nominal_v,
            )
        )
    if octaves and limits.octave_step_cents is not None and product.controls.octave is not None:
        switch = product.controls.octave
        for position, nominal, pitch in zip(switch.positions[1:], switch.octaves[1:], octaves[1:], strict=True):
            findings.append(
                judged(
                    f"octave_step_{position}",
                    f"Octave step {position}",
                    "cents",
                    CENTS * (pitch.octaves - octaves[0].octaves - nominal),
                    CENTS
                    * noise_inflation
                    * float(np.hypot(pitch.standard_uncertainty, octaves[0].standard_uncertainty)),
                    limits.octave_step_cents,
                    rule,
                )
            )
    if knob is not None and product.controls.knob is not None:
        findings += _knob_findings(acquisition, knob, product.controls.knob.repeatability_cents, noise_inflation)
    return tuple(findings)


def _knob_findings(
    acquisition: Acquisition, knob: KnobPitches, repeatability_cents: float, noise_inflation: float
) -> list[Finding]:
    product = acquisition.product
    findings = []
    nominal_octaves = product.controls.knob.range_octaves if product.controls.knob is not None else 0.0
    ends = CENTS * noise_inflation * float(np.hypot(knob.low.standard_uncertainty, knob.high.standard_uncertainty))
    if product.limits.knob_range_cents is not None:
        findings.append(
            judged(
                "knob_range",
                "Knob range",
                "cents",
                CENTS * knob.range_octaves,
                ends,
                product.limits.knob_range_cents,
                product.decision_rule,
                nominal=CENTS * nominal_octaves,
            )
        )
    if product.limits.knob_centre_cents is not None:
        findings.append(
            judged(
                "knob_centre",
                "Knob centre",
                "cents",
                CENTS * knob.centre_octaves,
                float(np.hypot(repeatability_cents, ends)),
                product.limits.knob_centre_cents,
                product.decision_rule,
                note="a hand sets the middle",
            )
        )
    return findings


def drift_findings(acquisition: Acquisition, warmed: WarmedUp) -> tuple[Finding, ...]:
    """Drift at both ends of the range, over the last window of warm-up."""
    product = acquisition.product
    return tuple(
        judged(
            f"drift_{end}",
            f"Drift when warm, {end} end",
            "cents/min",
            rate.rate_cents_per_minute,
            rate.standard_uncertainty,
            product.limits.drift_cents_per_minute,
            product.decision_rule,
        )
        for end, rate in (("low", warmed.low), ("high", warmed.high))
    )

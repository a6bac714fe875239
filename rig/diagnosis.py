"""From findings that fail to their likely cause, and what to look at next."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from rig.science.conformity import Decision
from rig.science.tracking_model import PARAMETERS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.assess import Finding, SweepAssessment
    from rig.product import Product, TrimKind

BAD = (Decision.FAIL, Decision.CONDITIONAL_FAIL)
LEAKAGE = PARAMETERS.index("leakage_hz")


class Fault(StrEnum):
    """What no trim can cure."""

    DEAD_OUTPUT = "dead output"
    DEAD_CV = "dead CV input"
    OUT_OF_TRAVEL = "trim out of travel"
    LEFT_ALONE = "trim left alone"
    OCTAVE_DIVIDER = "octave divider"
    LEAKAGE = "leakage"
    SLOW_WARM_UP = "slow warm-up"
    NOT_THIS_KIND = "not an oscillator of this kind"
    SLOW_CV = "slow CV input"
    DEAD_RAIL = "dead rail"
    KNOB_RANGE = "knob range"
    UNSTEADY = "drift"
    OTHER = "outside its limits"


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely cause: the fault, the part of the unit that it is in (a trim, a position), and a sentence."""

    fault: Fault
    where: str
    sentence: str


def dead_output() -> Cause:
    """No signal at any CV."""
    return Cause(
        Fault.DEAD_OUTPUT,
        "output",
        "No output at any CV with power and lead confirmed: a dead stage between core and output; look at supply, "
        "core and output buffer.",
    )


def dead_cv(octaves_seen: float, octaves_expected: float) -> Cause:
    """Pitch that does not follow the CV."""
    return Cause(
        Fault.DEAD_CV,
        "CV input",
        f"Pitch moved {octaves_seen:.2f} octaves where {octaves_expected:.1f} were due: a dead CV stage or a miswired "
        "CV input; look at the CV summing stage.",
    )


def does_not_settle(ceiling_s: float) -> Cause:
    """Pitch that still moves long after a step of the CV."""
    return Cause(
        Fault.SLOW_CV,
        "CV input",
        f"Pitch does not settle within {ceiling_s:g} s after a step of the CV: look for a wrong capacitor or a bad "
        "joint at the CV input.",
    )


def out_of_travel(label: str, turns_more: float, *, seen_to_move: bool = True) -> Cause:
    """A trim that cannot reach its target.

    :param seen_to_move: whether it has moved anything yet: where not, it may as well be dead.
    """
    direction = "clockwise" if turns_more > 0.0 else "counter-clockwise"
    needed = f"about {abs(turns_more):.1f} more turns {direction} would be needed"
    sentence = f"{label} is out of travel: {needed}; look at the fixed resistors around it."
    if not seen_to_move:
        sentence = (
            f"{label} moves nothing: {needed}, and it stands at its end there or is dead; look at the trim and at the "
            "fixed resistors around it."
        )
    return Cause(Fault.OUT_OF_TRAVEL, label, sentence)


def bound_by(kind: TrimKind) -> tuple[str, ...]:
    """Characteristics, by how their names begin, that a trim of this kind which stays wrong may put outside."""
    # whoever only names the causes of a batch needs no product file
    from rig.product import TrimKind

    return {
        TrimKind.RAIL: ("rail", "octave"),
        TrimKind.CENTRE: ("knob_centre",),
        TrimKind.BASE: ("base",),
    }.get(kind, ("scale", "tracking", "highs", "base", "octave"))


def left_alone(label: str, reason: str) -> Cause:
    """A trim that somebody would not or could not turn."""
    return Cause(Fault.LEFT_ALONE, label, f"{label} was left alone: {reason or 'no reason given'}.")


def octave_divider(position: str, error_cents: float) -> Cause:
    """One octave position off, whatever the rail."""
    return Cause(
        Fault.OCTAVE_DIVIDER,
        position,
        f"Octave position {position} is {error_cents:+.1f} cents off with the rail at its best: a divider resistor of "
        "that position is out of tolerance.",
    )


def dead_rail(voltage_v: float, nominal_v: float) -> Cause:
    """A reference rail that is none."""
    return Cause(
        Fault.DEAD_RAIL,
        "rail",
        f"The reference rail stands at {voltage_v:.2f} V instead of {nominal_v:g} V: a dead reference or a short "
        "on it; octave switch and knob hang on it.",
    )


def dead_switch() -> Cause:
    """An octave switch that changes nothing."""
    return Cause(
        Fault.DEAD_RAIL,
        "rail",
        "The octave switch changes nothing: look at the reference rail where it feeds the switch, and at the switch.",
    )


def slow_warm_up(rate: float, expanded_uncertainty: float, limit: float, minutes: float) -> Cause:
    """Not steady after the longest warm-up: still drifting, or too restless to tell. Rates in cents per minute."""
    shown = f"{rate:+.2f} +- {expanded_uncertainty:.2f} cents per minute after {minutes:.0f} minutes, limit {limit:g}"
    if abs(rate) > limit:
        return Cause(
            Fault.SLOW_WARM_UP,
            "temperature",
            f"Still drifting ({shown}): slow warm-up; look at the temperature compensation and at what heats the "
            "converter.",
        )
    return Cause(
        Fault.UNSTEADY,
        "noise",
        f"Never steady enough to tell its drift ({shown}): look for noise on supply and reference, for bad contacts "
        "and draughts.",
    )


def sweep_causes(assessed: SweepAssessment, findings: Sequence[Finding], product: Product) -> tuple[Cause, ...]:
    """Causes that a sweep by itself shows: a misfit of the model, leakage at the bottom."""
    causes: list[Cause] = []
    failed = {each.characteristic for each in findings if each.decision in BAD}
    leakage_hz = float(assessed.parameters[LEAKAGE])
    leakage_u = float(np.sqrt(assessed.covariance[LEAKAGE, LEAKAGE]))
    bottom_cents = 1200.0 * np.log2(1.0 + max(leakage_hz, 0.0) / product.range.lowest_note_hz)
    bends = leakage_hz > 4.0 * leakage_u and bottom_cents > 0.5 * product.limits.base_pitch_cents
    if bends and failed & {"tracking_full", "tracking_musical", "base_pitch"}:
        causes.append(
            Cause(
                Fault.LEAKAGE,
                "converter",
                f"Leakage lifts the lowest note by {bottom_cents:.1f} cents ({leakage_hz * 1000:.1f} mHz) and no trim "
                "bends it back: look for flux residue, a leaky capacitor or a damaged transistor at the converter.",
            )
        )
    if not assessed.fits and failed:
        causes.append(
            Cause(
                Fault.NOT_THIS_KIND,
                "tracking",
                "The tracking is not that of an oscillator of this kind (up to "
                f"{assessed.misfit.worst_residual_cents:.1f} "
                "cents off any curve it could have): look for a clipped CV, a bad contact or an oscillating stage.",
            )
        )
    return tuple(causes)


TRIMMED = ("scale", "tracking", "highs", "base", "octave", "rail", "knob_centre")
"""Characteristics that trims bring inside."""
TRIM_BOUND = ("tracking", "base", "scale", "highs", "octave", "rail", "knob")
"""Characteristics that one trim which is not where it should be may put outside."""


def other_causes(findings: Sequence[Finding], found: Sequence[Cause], *, untrimmed: bool = False) -> tuple[Cause, ...]:
    """A plain cause for each failed finding that nothing found so far explains.

    :param untrimmed: nobody has turned a trim yet, so what trims bring inside is no fault.
    """
    explained = {cause.fault for cause in found}
    whole = {Fault.DEAD_OUTPUT, Fault.DEAD_CV, Fault.SLOW_CV, Fault.NOT_THIS_KIND}
    if explained & whole:
        return ()
    causes = []
    for finding in findings:
        if finding.decision not in BAD or _explains(finding.characteristic, explained):
            continue
        if untrimmed and finding.characteristic.startswith(TRIMMED):
            continue
        fault = {
            "knob_range": Fault.KNOB_RANGE,
            "drift_low": Fault.UNSTEADY,
            "drift_high": Fault.UNSTEADY,
        }.get(finding.characteristic, Fault.OTHER)
        causes.append(
            Cause(
                fault,
                finding.characteristic,
                f"{finding.label} is outside its limits ({_against_its_limits(finding)}).",
            )
        )
    return tuple(causes)


def _against_its_limits(finding: Finding) -> str:
    """A value beside its limits, with as many decimals as tell the two apart: a rail is off by millivolts."""
    form = ".4f" if finding.unit == "V" else "+.2f"
    ends = ((finding.limits.low, "at least"), (finding.limits.high, "at most"))
    permitted = ", ".join(f"{word} {end:{form}}" for end, word in ends if end is not None)
    return f"{finding.value:{form}} {finding.unit}; permitted: {permitted}"


def _explains(characteristic: str, explained: set[Fault]) -> bool:
    by_fault = {
        Fault.LEAKAGE: ("tracking", "base", "scale", "highs"),
        Fault.OUT_OF_TRAVEL: TRIM_BOUND,
        Fault.LEFT_ALONE: TRIM_BOUND,
        Fault.DEAD_RAIL: ("octave", "rail", "knob"),
        Fault.OCTAVE_DIVIDER: ("octave", "rail"),
        Fault.SLOW_WARM_UP: ("drift",),
    }
    return any(characteristic.startswith(by_fault.get(fault, ())) for fault in explained)

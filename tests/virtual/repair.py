"""What an all-knowing hand would do: every trim where the truth says it belongs; and what is left then."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from drivers.virtual.truth import Truth
from drivers.virtual.unit import TrimKind
from tests.virtual.conftest import with_trims

LOWEST_NOTE_HZ = 32.703
FULL_V = np.linspace(0.0, 8.0, 33)
MUSICAL = (FULL_V >= 1.0) & (FULL_V <= 6.0)
NOMINAL_STEPS = range(5)


def cents(frequency_hz: float, reference_hz: float) -> float:
    return 1200.0 * math.log2(frequency_hz / reference_hz)


@dataclass(frozen=True, slots=True)
class Characteristics:
    """Deviations of a unit, cents unless said otherwise."""

    rail_v: float
    scale_per_octave: float
    tracking_musical: float
    tracking_full: float
    base: float
    worst_step: float
    knob_range: float
    knob_centre: float


def characteristics(truth: Truth) -> Characteristics:
    errors = np.array([cents(truth.frequency_hz(v), LOWEST_NOTE_HZ * 2.0**v) for v in FULL_V])
    musical = errors[MUSICAL]
    slope = float(np.polyfit(FULL_V[MUSICAL], musical, 1)[0])
    errors_about_mean = errors - musical.mean()
    steps = [cents(truth.frequency_hz(1.0, octave=str(k)), truth.frequency_hz(1.0)) - 1200.0 * k for k in NOMINAL_STEPS]
    low, middle, high = (truth.frequency_hz(3.0, knob=each) for each in ("low", "middle", "high"))
    return Characteristics(
        rail_v=truth.rail_v() - 10.0,
        scale_per_octave=slope,
        tracking_musical=float(np.abs(errors_about_mean[MUSICAL]).max()),
        tracking_full=float(np.abs(errors_about_mean).max()),
        base=float(errors[0]),
        worst_step=max(map(abs, steps)),
        knob_range=cents(high, low) - 1200.0,
        knob_centre=cents(middle, math.sqrt(low * high)),
    )


def within_limits(found: Characteristics, share: float = 1.0) -> bool:
    """Whether all deviations lie within a share of the demonstration product's limits."""
    return (
        abs(found.rail_v) <= 0.02 * share
        and abs(found.scale_per_octave) <= 1.0 * share
        and found.tracking_musical <= 3.0 * share
        and found.tracking_full <= 6.0 * share
        and abs(found.base) <= 3.0 * share
        and found.worst_step <= 3.0 * share
        and abs(found.knob_range) <= 30.0 * share
        and abs(found.knob_centre) <= 40.0 * share
    )


def trimmed(truth: Truth) -> Truth:
    """The unit with every trim at its best, or at its stop when that lies beyond it."""
    trims = truth.description.trims
    name = {kind: truth.description.trim_of(kind) for kind in TrimKind}

    def moved(unit: Truth, kind: TrimKind, effect: float) -> Truth:
        trim = trims[name[kind]]
        position = 0.5 * trim.turns + effect / trim.effect_per_turn
        return with_trims(unit, **{name[kind]: min(max(position, 0.0), trim.turns)})

    core, rail = truth.description.core, truth.description.rail
    unit = moved(truth, TrimKind.SCALE_COMMON, 1.0 / ((1.0 + core.scale_error) * core.slope) - 1.0)
    unit = moved(unit, TrimKind.RAIL, 1.0 / (1.0 + rail.error) - 1.0)
    unit = moved(unit, TrimKind.CENTRE, -rail.knob_bow_octaves)
    unit = moved(unit, TrimKind.HIGHS, _highs(unit))
    offset = cents(unit.frequency_hz(0.0), LOWEST_NOTE_HZ) / 1200.0
    present = unit.state.trim_effect(TrimKind.BASE)
    return moved(unit, TrimKind.BASE, present - offset)


def _highs(unit: Truth) -> float:
    """Seconds to take so that the top is as far from the middle as it should be."""
    present_s = unit.state.trim_effect(TrimKind.HIGHS)
    top_s, middle_s = (1.0 / unit.frequency_hz(cv_v) + present_s for cv_v in (8.0, 4.0))

    def too_sharp(taken_s: float) -> float:
        return math.log2((middle_s - taken_s) / (top_s - taken_s)) - 4.0

    return brentq(too_sharp, -1e-3, 0.999 * top_s, xtol=1e-13)

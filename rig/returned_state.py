"""A unit as one visit saw it, term by term in the units of a bench, from the record."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from db import returns
from rig.science.change import State
from rig.suspects import CORE, DEAD_TIME, DRIFT_HIGH, DRIFT_LOW, KNOB_CENTRE, KNOB_RANGE, LEAKAGE, NOISE, RAIL, SLOPE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from uuid import UUID

    from sqlalchemy.orm import Session

    from db.history import FindingRow
    from db.returns import FitRow
    from rig.product import Product

    Numbers = list[tuple[str, float, float]]

CENTS = 1200.0
COVERAGE = 2.0
"""Between the expanded uncertainties of the record and standard ones; their own factors lie within a few per cent."""


def state_of(
    session: Session,
    product: Product,
    name: str,
    visit_id: UUID,
    findings: Sequence[FindingRow],
    purposes: Sequence[str],
) -> State:
    """A unit as one visit saw it: tracking of the last of these sweeps, and the findings that need no sweep."""
    by_name = {
        each.characteristic.rpartition(".")[2]: each
        for each in findings
        if each.characteristic.rpartition(".")[0] == name
    }
    numbers: Numbers = []
    rail = product.limits.rail
    if rail is not None:
        numbers += _number(by_name, "rail", RAIL, 100.0 / rail.nominal_v)
    for characteristic in by_name:
        if characteristic.startswith("octave_step_"):
            numbers += _number(by_name, characteristic, f"step {characteristic.removeprefix('octave_step_')}", 1.0)
    for characteristic, term in (
        ("knob_range", KNOB_RANGE),
        ("knob_centre", KNOB_CENTRE),
        ("drift_low", DRIFT_LOW),
        ("drift_high", DRIFT_HIGH),
    ):
        numbers += _number(by_name, characteristic, term, 1.0)
    fits = [each for each in returns.fits_of_visit(session, visit_id, purposes) if each.oscillator == name]
    if not fits:
        return _assembled([], np.zeros((0, 0)), numbers)
    return _assembled(*_tracking(fits[-1], by_name), numbers)


def _number(by_name: Mapping[str, FindingRow], characteristic: str, term: str, factor: float) -> Numbers:
    finding = by_name.get(characteristic)
    if finding is None or finding.value is None or not finding.expanded_uncertainty:
        return []
    return [(term, finding.value * factor, finding.expanded_uncertainty / COVERAGE * factor)]


def _tracking(fit: FitRow, by_name: Mapping[str, FindingRow]) -> tuple[list[tuple[str, float]], np.ndarray]:
    """Terms of the tracking in units of a bench, with covariance; what CV and time base add comes from the findings."""
    factors = np.array([CENTS, CENTS, 1e3, 1e9])
    core, slope, leakage_hz, dead_time_s = fit.terms
    terms = [(CORE, core), (SLOPE, slope), (LEAKAGE, leakage_hz), (DEAD_TIME, dead_time_s)]
    values = [(name, value * factor) for (name, value), factor in zip(terms, factors, strict=True)]
    covariance = np.asarray(fit.covariance) * np.outer(factors, factors)
    for place, characteristic in ((0, "base_pitch"), (1, "scale_error")):
        finding = by_name.get(characteristic)
        if finding is not None and finding.expanded_uncertainty:
            covariance[place, place] += (finding.expanded_uncertainty / COVERAGE) ** 2
    if fit.log_noise is not None and fit.readings > 1:
        values.append((NOISE, fit.log_noise))
        wider = np.zeros((5, 5))
        wider[:4, :4] = covariance
        wider[4, 4] = 1.0 / fit.readings
        covariance = wider
    return values, covariance


def _assembled(terms: list[tuple[str, float]], covariance: np.ndarray, numbers: Numbers) -> State:
    size = len(terms) + len(numbers)
    whole = np.zeros((size, size))
    whole[: len(terms), : len(terms)] = covariance
    for place, (_, _, uncertainty) in enumerate(numbers, start=len(terms)):
        whole[place, place] = uncertainty**2
    names = (*(name for name, _ in terms), *(name for name, _, _ in numbers))
    return State(names, np.array([*(value for _, value in terms), *(value for _, value, _ in numbers)]), whole)

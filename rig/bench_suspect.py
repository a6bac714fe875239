"""The bench as what may have changed between two visits of a unit, by its reference unit and its calibrations."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from db import bench_history
from rig.product import VoltsPerOctaveLaw
from rig.returned_state import COVERAGE
from rig.science.change import Part
from rig.suspects import BENCH, CORE, CV_CENTS, RAIL, SLOPE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from sqlalchemy.orm import Session

    from db.bench_history import CheckRow
    from db.history import VisitRow
    from rig.product import Product

BENCH_TERMS = (("base_pitch", CORE), ("scale_error", SLOPE), ("rail", RAIL))
"""What the reference unit shows of a bench."""
CHECKED_WITHIN = timedelta(days=8)
"""A check of a bench farther from a visit than this says nothing of the bench in that visit (our own choice)."""


def bench_parts(session: Session, product: Product, left: VisitRow, visit: VisitRow) -> list[Part]:
    """The bench itself as a suspect, by its reference unit where that was measured about both visits.

    Two benches whose reference unit says nothing may differ by what their calibrations allow, and in the CV as a unit's
    own CV input may (a lead, a source): then only a measurement of the reference unit tells the two apart.
    """
    two_benches = left.bench != visit.bench
    serial = bench_history.reference_on(session, visit.bench)
    moved: dict[str, float] = {}
    doubt: dict[str, float] = {}
    if serial is not None:
        then_checks = bench_history.checks_with(session, left.bench, serial)
        now_checks = bench_history.checks_with(session, visit.bench, serial) if two_benches else then_checks
        for characteristic, term in BENCH_TERMS:
            then = _stood([each for each in then_checks if each.characteristic == characteristic], left.started_utc)
            now = _stood([each for each in now_checks if each.characteristic == characteristic], visit.started_utc)
            if then is None or now is None or (not two_benches and then == now):
                continue
            factor = 100.0 / then.value if term == RAIL and then.value else 1.0
            moved[term] = (now.value - then.value) * factor
            doubt[term] = float(np.hypot(then.standard_uncertainty, now.standard_uncertainty)) * abs(factor)
    if moved:
        return [Part(BENCH, {}, also=doubt, offset=moved)]
    if not two_benches or not isinstance(product.law, VoltsPerOctaveLaw):
        return []
    return [Part(BENCH, {SLOPE: CV_CENTS}, also=_allowed(product, left, visit))]


def _allowed(product: Product, left: VisitRow, visit: VisitRow) -> dict[str, float]:
    """By how much two benches may differ in base and rail, as far as the uncertainties of both visits say."""
    allowed: dict[str, float] = {}
    for finding in (*left.as_left, *visit.as_found):
        for characteristic, term in (("base_pitch", CORE), ("rail", RAIL)):
            if finding.characteristic.rpartition(".")[2] == characteristic and finding.expanded_uncertainty:
                rail = product.limits.rail
                factor = 100.0 / rail.nominal_v if term == RAIL and rail is not None else 1.0
                own = finding.expanded_uncertainty / COVERAGE * factor
                allowed[term] = float(np.hypot(allowed.get(term, 0.0), own))
    return allowed


@dataclass(frozen=True, slots=True)
class _Stood:
    """What the reference unit would have read on a bench at some moment."""

    value: float
    standard_uncertainty: float


def _stood(checks: Sequence[CheckRow], at: datetime) -> _Stood | None:
    """From the checks before and after a moment; None where neither is near.

    Between two checks that differ the bench may have stood anywhere: a rectangle over both.
    """
    near = [each for each in checks if abs(each.taken_utc - at) <= CHECKED_WITHIN]
    before = [each for each in near if each.taken_utc <= at][-1:]
    after = [each for each in near if each.taken_utc > at][:1]
    around = [*before, *after]
    if not around:
        return None
    values = [each.value for each in around]
    own = max(each.expanded_uncertainty for each in around) / COVERAGE
    return _Stood(float(np.mean(values)), float(np.hypot(own, (max(values) - min(values)) / np.sqrt(12.0))))

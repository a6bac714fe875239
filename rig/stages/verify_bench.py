"""The reference unit measured and held against its own history: has the bench moved?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from rig.acquire import Acquisition
from rig.assess import tracking_findings
from rig.beginning import Wanted, begin_visit
from rig.bench_history import keep_check, reference_checks, values_that_count, visit_without_verdict
from rig.budgets import stated_of
from rig.conditions import room_now
from rig.control_budgets import rail_budget
from rig.errors import NoDecision, SerialProblem, WrongInput
from rig.recovery import attempt
from rig.science.reference import Measured, Standing, against_history, worst_standing
from rig.stages.control_findings import stated_for_sweeps
from rig.stages.leads import meter_to_rail
from rig.stages.survey import at_rest, read_rail, steady_sweep
from rig.stages.warm_up import warm_up

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from db.bench_history import CheckRow
    from rig.beginning import BenchRecords
    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.records import Recorder
    from rig.science.characterisation import CvCorrection
    from rig.science.reference import Check
    from rig.tomlfile import Loaded

VERIFY = "verify"
REFERENCE_BATCH = "reference"
LABELS = {
    "base_pitch": "Base pitch",
    "scale_error": "Scale error",
    "highs_error": "Highs error",
    "rail": "Reference rail",
}
"""What a bench is known by."""
ANOTHER_UNIT = 10.0
"""A normalised error above this in most characteristics is another unit, or one that was turned, not a bench."""


@dataclass(frozen=True, slots=True)
class Verification:
    """A check of the bench: each characteristic of the reference unit, and where the bench stands."""

    serial: str
    checks: tuple[Check, ...]
    standing: Standing

    @property
    def sentence(self) -> str:
        """The bench in one sentence."""
        moved = [each.measured.label for each in self.checks if each.standing is Standing.MOVED]
        watched = [each.measured.label for each in self.checks if each.standing is Standing.WATCH]
        count = max((each.history.count for each in self.checks if each.history is not None), default=0)
        if moved:
            return (
                f"The bench has moved against its history of {count} checks ({', '.join(moved)}): find out why before "
                "another unit is judged on it."
            )
        if watched:
            return f"The bench agrees with its history of {count} checks; watch {', '.join(watched)}."
        if self.standing is Standing.NO_HISTORY:
            return f"The history of the reference unit {self.serial} begins with this check."
        return f"The bench agrees with its history of {count} checks."


@dataclass(frozen=True, slots=True)
class VerifyRequest:
    """Who wants the bench verified, with which unit.

    :param restart_reason: why the history begins anew (an instrument came back from calibration); empty otherwise.
    """

    scanned: str
    reference_serial: str
    operator: str
    ambient_c: float | None = None
    seed: int | None = None
    restart_reason: str = ""


def require_the_reference(scanned: str, reference_serial: str) -> None:
    """Let only the reference unit pass where the bench is to be verified.

    :raises WrongInput: something else was scanned.
    """
    if scanned != reference_serial:
        raise WrongInput(
            f"{scanned} is not the reference unit of this bench, which is {reference_serial}: put that one on the "
            "bench and scan it."
        )


def require_a_product(scanned: str, reference_serial: str | None) -> None:
    """Keep the reference unit from being visited, turned and judged like a product.

    :param reference_serial: None on a bench without a reference unit.
    :raises WrongInput: the reference unit was scanned.
    """
    if reference_serial is not None and scanned == reference_serial:
        raise WrongInput(
            f"{scanned} is the reference unit of this bench, which is never adjusted or judged: use 'rig bench verify' "
            "for it."
        )


def verification_due(checks: Sequence[CheckRow], now: datetime, every_hours: float) -> str:
    """Why the bench is due for verification, in a sentence; empty while it is not."""
    if not checks:
        return "The bench was never verified with its reference unit: run 'rig bench verify'."
    last = checks[-1]
    age = now - last.taken_utc
    if age <= timedelta(hours=every_hours):
        moved = any(each.standing == Standing.MOVED.value for each in checks if each.taken_utc == last.taken_utc)
        return "The bench had moved when it was last verified: find out why, and verify it again." if moved else ""
    return (
        f"The bench was last verified {age.total_seconds() / 3600.0:.0f} hours ago, and is due every {every_hours:g}: "
        "run 'rig bench verify'."
    )


def verify_bench(
    bench: Bench,
    records: BenchRecords,
    product: Loaded[Product],
    operator: Operator,
    line: CvCorrection,
    request: VerifyRequest,
) -> Verification:
    """Measure the reference unit in a visit of its own and keep the check. Nothing is turned, nothing judged.

    The unit is connected and has power, and the source's output is on.

    :param line: what programmed voltages truly are at the jack.
    :raises WrongInput: another unit was scanned.
    :raises NoDecision: the unit still drifts, or another one lies on the bench.
    """
    require_the_reference(request.scanned, request.reference_serial)
    batch = _batch_of(product.contents, request.scanned)
    room = room_now(bench, request.ambient_c)
    ambient_c = None if room is None else room.celsius
    wanted = Wanted(request.scanned, batch, request.operator, VERIFY, ambient_c, request.seed, room)
    recorder = begin_visit(records, product, bench, line, wanted)
    earlier = reference_checks(records.database, records.revision_id, request.scanned)
    with visit_without_verdict(recorder):
        acquisition = Acquisition(bench, product.contents, line, ambient_c=ambient_c)
        measured = attempt(
            bench, operator, "the verification", lambda: measure_steady(acquisition, operator, recorder, VERIFY)
        )
        checks = tuple(
            against_history(each, () if request.restart_reason else values_that_count(earlier, each.characteristic))
            for each in measured
        )
        _require_same_unit(checks)
        standing = worst_standing(checks)
        keep_check(records, recorder.visit_id, checks, standing, request.restart_reason)
    return Verification(request.scanned, checks, standing)


def measure_steady(
    acquisition: Acquisition, operator: Operator, recorder: Recorder, purpose: str
) -> tuple[Measured, ...]:
    """Warm a unit up and measure what a bench is known by: base pitch, scale, highs and, where there is one, the rail.

    :raises NoDecision: it never stops drifting.
    """
    warmed = warm_up(acquisition, operator, recorder)
    if not warmed.steady:
        raise NoDecision(
            f"The unit still drifts by {warmed.faster.rate_cents_per_minute:.2f} cents per minute after "
            f"{warmed.duration_s / 60.0:.0f} minutes: keep draughts away from it and start again."
        )
    at_rest(acquisition, operator)
    _, assessed = steady_sweep(acquisition, operator, recorder, purpose, drift_known=True)
    findings = tracking_findings(assessed, acquisition.product, stated_for_sweeps(acquisition), acquisition.line)
    measured = [
        Measured(each.characteristic, LABELS[each.characteristic], each.value, each.unit, each.expanded_uncertainty)
        for each in findings
        if each.characteristic in LABELS
    ]
    meter_to_rail(acquisition, operator)
    rail = read_rail(acquisition, recorder, purpose)
    if rail is not None:
        stated = stated_of(acquisition.bench.file, rail.voltage_v, acquisition.bench.today, acquisition.ambient_c)
        budget = rail_budget(rail.voltage_v, rail.standard_uncertainty_v, rail.readings, stated)
        expanded_v = budget.combine().expanded_uncertainty
        measured.append(Measured("rail", LABELS["rail"], rail.voltage_v, "V", expanded_v))
    return tuple(measured)


def _batch_of(product: Product, serial: str) -> str:
    """Batch of a reference unit taken from production; one made for the purpose has a serial of its own kind."""
    try:
        return product.serial.batch_of(serial)
    except SerialProblem:
        return REFERENCE_BATCH


def _require_same_unit(checks: tuple[Check, ...]) -> None:
    errors = [abs(each.normalised_error) for each in checks if each.normalised_error is not None]
    far = [each for each in errors if each > ANOTHER_UNIT]
    if errors and 2 * len(far) > len(errors):
        raise NoDecision(
            f"What lies on the bench is nothing like its reference unit (E_n up to {max(errors):.0f}): see whether it "
            "is that unit, and whether its trims were touched; nothing was entered into the history."
        )

"""The reference unit on a bench of the past: measured by physics, held against its history by the rig's own code."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.assess import assess_sweep, tracking_findings
from rig.bench_history import keep_check, reference_checks, values_that_count, visit_without_verdict
from rig.budgets import stated_of
from rig.control_budgets import rail_budget
from rig.invented.visit import set_right, warm_up
from rig.science.reference import Measured, against_history, worst_standing
from rig.stages.control_findings import stated_for_sweeps
from rig.stages.survey import evenly_spread, resting_controls
from rig.stages.verify_bench import LABELS, VERIFY

if TYPE_CHECKING:
    from drivers.virtual.live_unit import UnitState
    from rig.beginning import BenchRecords
    from rig.invented.bench import InventedBench
    from rig.records import Recorder
    from rig.science.reference import Standing

SERIAL = "invented reference unit"


def adjusted_reference(bench: InventedBench, unit: UnitState) -> UnitState:
    """A unit set right once, to be kept as the reference and not to be turned again."""
    return set_right(bench, warm_up(bench, unit)[0])


def invented_check(bench: InventedBench, records: BenchRecords, recorder: Recorder, unit: UnitState) -> Standing:
    """One verification of a bench; the record holds its visit and the check.

    :param unit: the reference unit, as it was set right.
    """
    earlier = reference_checks(records.database, records.revision_id, SERIAL)
    with visit_without_verdict(recorder):
        unit, _ = warm_up(bench, unit)
        measured = _measured(bench, recorder, unit)
        checks = tuple(against_history(each, values_that_count(earlier, each.characteristic)) for each in measured)
        standing = worst_standing(checks)
        keep_check(records, recorder.visit_id, checks, standing, "")
    return standing


def _measured(bench: InventedBench, recorder: Recorder, unit: UnitState) -> list[Measured]:
    acquisition = bench.acquisition
    sweep_id = recorder.sweep(VERIFY, resting_controls(acquisition))
    points = list(bench.points(unit, evenly_spread(acquisition, acquisition.product.range.points)))
    for place, point in enumerate(points):
        recorder.point(sweep_id, place, point)
    assessed = assess_sweep(points, acquisition.product, acquisition.bench.file, acquisition.line)
    recorder.fit(sweep_id, assessed)
    findings = tracking_findings(assessed, acquisition.product, stated_for_sweeps(acquisition), acquisition.line)
    measured = [
        Measured(each.characteristic, LABELS[each.characteristic], each.value, each.unit, each.expanded_uncertainty)
        for each in findings
        if each.characteristic in LABELS
    ]
    rail = bench.rail(unit)
    recorder.reading(VERIFY, "rail", {}, rail.voltage_v, "V", rail.standard_uncertainty_v)
    stated = stated_of(acquisition.bench.file, rail.voltage_v, acquisition.bench.today, acquisition.ambient_c)
    budget = rail_budget(rail.voltage_v, rail.standard_uncertainty_v, rail.readings, stated)
    expanded_v = budget.combine().expanded_uncertainty
    return [*measured, Measured("rail", LABELS["rail"], rail.voltage_v, "V", expanded_v)]

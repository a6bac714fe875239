"""A batch from its record: yields, retests, time, moves, causes; its characteristics are in :mod:`rig.batch_charts`.

A unit's *run* is its judged visits up to the first that passes: what comes after that is a unit that came back, and
tells nothing of the line.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.batch_charts import characteristics_of, shelved_causes, where_to_look
from rig.causes import NamedCause, named_cause
from rig.errors import WrongInput
from rig.science.capability import Interval, share_interval
from rig.science.conformity import Decision

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from db.batches import BatchRecord, BatchVisit
    from rig.batch_charts import Characteristic

PASSED = (Decision.PASS.value, Decision.CONDITIONAL_PASS.value)
FAILED = (Decision.FAIL.value, Decision.CONDITIONAL_FAIL.value)
ADJUST, CHECK = "adjust", "check"
NO_CAUSE = NamedCause(None, "no cause named")


@dataclass(frozen=True, slots=True)
class Yield:
    """Units that passed, of those judged, with the interval of the share."""

    passed: int
    judged: int
    share: Interval


@dataclass(frozen=True, slots=True)
class Minutes:
    """Bench time of a unit, all visits of its run together, min: the middle unit, and a tenth of them on each side."""

    median: float
    low: float
    high: float
    total: float


@dataclass(frozen=True, slots=True)
class TrimMoves:
    """How often one trim was moved in a visit that was judged."""

    trim: str
    moves: int
    visits: int
    visits_moved: int
    most: int

    @property
    def mean(self) -> float:
        """Moves a visit."""
        return self.moves / self.visits


@dataclass(frozen=True, slots=True)
class CauseCount:
    """Visits that failed for one cause, the units they were of, and how many of these passed later."""

    cause: NamedCause
    visits: int
    units: int
    passed_later: int


@dataclass(frozen=True, slots=True)
class BatchReport:
    """One product of a batch. ``failed_visits`` is what the shares of ``causes`` are of: one visit may name several.

    ``shelved_causes`` are what units were shelved for as they were found, with how many units each.
    """

    batch_code: str
    product: str
    units: int
    benches: tuple[str, ...]
    first_utc: datetime | None
    last_utc: datetime | None
    demonstration: bool
    visits: Mapping[str, int]
    unfinished: int
    first_pass: Yield | None
    final: Yield | None
    retests: int
    came_back: int
    minutes: Minutes | None
    moves: tuple[TrimMoves, ...]
    failed_visits: int
    causes: tuple[CauseCount, ...]
    characteristics: tuple[Characteristic, ...]
    shelved_causes: tuple[tuple[str, int], ...]
    remarks: tuple[str, ...]


def batch_reports(record: BatchRecord, product: str | None = None) -> tuple[BatchReport, ...]:
    """The batch, product by product.

    :param product: only this one.
    :raises WrongInput: no unit of the batch is of that product.
    """
    if product is not None and product not in record.serials:
        raise WrongInput(
            f"Batch {record.batch_code} holds no {product}: it holds {' and '.join(sorted(record.serials))}."
        )
    names = sorted(record.serials) if product is None else [product]
    return tuple(_report(record, name) for name in names)


def runs_of(visits: Sequence[BatchVisit]) -> dict[str, tuple[BatchVisit, ...]]:
    """Judged visits of each unit up to the first that passed; of adjusting visits where there are any, else of checks.

    :param visits: in the order in which they began.
    """
    purpose = ADJUST if any(each.purpose == ADJUST and each.decision is not None for each in visits) else CHECK
    runs: defaultdict[str, list[BatchVisit]] = defaultdict(list)
    for visit in visits:
        run = runs[visit.serial]
        if visit.purpose == purpose and visit.decision is not None and not _passed(run):
            run.append(visit)
    return {serial: tuple(run) for serial, run in runs.items() if run}


def _passed(run: Sequence[BatchVisit]) -> bool:
    return bool(run) and run[-1].decision in PASSED


def _report(record: BatchRecord, product: str) -> BatchReport:
    visits = [each for each in record.visits if each.product == product]
    runs = runs_of(visits)
    in_runs = {visit.visit_id for run in runs.values() for visit in run}
    later = [each for each in visits if each.decision is not None and each.visit_id not in in_runs]
    characteristics = characteristics_of(list(runs.values()))
    return BatchReport(
        batch_code=record.batch_code,
        product=product,
        units=len(record.serials[product]),
        benches=tuple(sorted({each.bench for each in visits})),
        first_utc=min((each.started_utc for each in visits), default=None),
        last_utc=max((each.started_utc for each in visits), default=None),
        demonstration=any(each.demonstration for each in visits),
        visits=Counter(each.purpose for each in visits),
        unfinished=sum(each.decision is None for each in visits),
        first_pass=_yield([run[0].decision in PASSED for run in runs.values()]),
        final=_yield([_passed(run) for run in runs.values()]),
        retests=sum(len(run) - 1 for run in runs.values()),
        came_back=len({each.serial for each in later if each.purpose == ADJUST and _passed(runs[each.serial])}),
        minutes=_minutes(list(runs.values())),
        moves=_moves(list(runs.values())),
        failed_visits=sum(visit.decision in FAILED for run in runs.values() for visit in run),
        causes=_causes(list(runs.values())),
        characteristics=characteristics,
        shelved_causes=shelved_causes(list(runs.values())),
        remarks=(*_remarks(record, visits, runs), *where_to_look(characteristics)),
    )


def _yield(passed: Sequence[bool]) -> Yield | None:
    if not passed:
        return None
    return Yield(sum(passed), len(passed), share_interval(sum(passed), len(passed)))


def _minutes(runs: Sequence[Sequence[BatchVisit]]) -> Minutes | None:
    spent = [
        sum(
            (visit.ended_utc - visit.started_utc).total_seconds() / 60.0 for visit in run if visit.ended_utc is not None
        )
        for run in runs
    ]
    if not spent:
        return None
    low, median, high = np.quantile(spent, [0.1, 0.5, 0.9])
    return Minutes(float(median), float(low), float(high), float(np.sum(spent)))


def _moves(runs: Sequence[Sequence[BatchVisit]]) -> tuple[TrimMoves, ...]:
    visits = [visit for run in runs for visit in run if visit.purpose == ADJUST]
    names = sorted({trim for visit in visits for trim in visit.moves})
    counted = []
    for name in names:
        made = [visit.moves.get(name, 0) for visit in visits]
        counted.append(TrimMoves(name, sum(made), len(made), sum(each > 0 for each in made), max(made)))
    return tuple(sorted(counted, key=lambda each: (-each.moves, each.trim)))


def _causes(runs: Sequence[Sequence[BatchVisit]]) -> tuple[CauseCount, ...]:
    visits: Counter[NamedCause] = Counter()
    units: defaultdict[NamedCause, set[str]] = defaultdict(set)
    passed = {run[0].serial for run in runs if _passed(run)}
    for run in runs:
        for visit in run:
            if visit.decision not in FAILED:
                continue
            for cause in {named_cause(each) for each in visit.causes} or {NO_CAUSE}:
                visits[cause] += 1
                units[cause].add(visit.serial)
    counted = (
        CauseCount(cause, count, len(units[cause]), len(units[cause] & passed)) for cause, count in visits.items()
    )
    return tuple(sorted(counted, key=lambda each: (-each.visits, each.cause.label)))


def _remarks(
    record: BatchRecord, visits: Sequence[BatchVisit], runs: Mapping[str, Sequence[BatchVisit]]
) -> tuple[str, ...]:
    """What a reader must know before he believes the numbers."""
    remarks = []
    if len(record.serials) > 1:
        remarks.append(f"This batch code is on units of {len(record.serials)} products, each reported by itself.")
    invented = sum(each.demonstration for each in visits)
    if 0 < invented < len(visits):
        remarks.append(f"{invented} of {len(visits)} visits are a demonstration: their numbers are invented.")
    if not runs:
        remarks.append("No unit of it has a verdict yet, so there is nothing to count.")
    purposes = {visit.purpose for run in runs.values() for visit in run}
    if purposes == {CHECK}:
        remarks.append("Nothing was adjusted: yields are those of units as they were found.")
    return tuple(remarks)

"""Judging again: what other limits would have made of units, from their stored sweeps; no verdict is touched."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from rig.counted import counted
from rig.errors import WrongInput
from rig.limits_file import sides
from rig.no_collecting import no_collecting
from rig.production import ACCEPTED, FROM_TEXT, runs_of
from rig.science.capability import Interval, share_interval
from rig.science.conformity import FROM_WORST, Decision, Limits, Rule
from rig.science.decision import decide_each

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from rig.limits_file import OtherLimits
    from rig.production import Column, Production

    Places = NDArray[np.intp]

AGREES, OF_ITS_DOUBT = 1e-6, 0.01
"""Difference between a value computed anew and the stored one that means nothing: arithmetic, as a share of the value
or its unit, and a share of its uncertainty (weights of a fit may rest on what only the bench knew)."""
MOST_EXAMPLES = 5
PLACE = {decision: place for place, decision in enumerate(FROM_WORST)}


@dataclass(frozen=True, slots=True)
class YieldOf:
    """Units accepted (pass or conditional pass), those among them that pass outright, and the share accepted."""

    accepted: int
    passed: int
    units: int
    share: Interval


@dataclass(frozen=True, slots=True)
class CharacteristicYield:
    """How one characteristic was decided under its own limits and under the others: units accepted."""

    name: str
    unit_count: int
    own: int
    other: int
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Rejudged:
    """What other limits would have made of a production.

    ``differences`` are sentences: where judging again under a finding's own limits does not give what is recorded.
    """

    batches: tuple[str, ...]
    product: str
    demonstration: bool
    units: int
    visits: int
    sweeps: int
    own: YieldOf
    other: YieldOf
    first_own: YieldOf
    first_other: YieldOf
    moved: Mapping[str, int]
    characteristics: tuple[CharacteristicYield, ...]
    differences: tuple[str, ...]
    remarks: tuple[str, ...]


def decisions_of(column: Column, limits: Limits | None, rule: Rule | None) -> tuple[Places, Places]:
    """Decisions on one characteristic under its own limits, and under others and a rule (its own where they are None).

    What was not decided for want of a value, or of a curve that fits, stays undecided.
    """
    undecided = PLACE[Decision.NO_DECISION]
    own = other = decide_each(column.value, column.lower, column.upper, column.low, column.high, column.guarded)
    withheld = (column.decisions == undecided) & (own != undecided)
    if limits is not None or rule is not None:
        low, high = (column.low, column.high) if limits is None else sides(limits)
        guarded = column.guarded if rule is None else np.full(column.visits.shape, rule is Rule.GUARDED)
        other = decide_each(column.value, column.lower, column.upper, low, high, guarded)
    return np.where(withheld, undecided, own), np.where(withheld, undecided, other)


@no_collecting()
def rejudge(production: Production, given: OtherLimits) -> Rejudged:
    """Judge a production again."""
    knob = production.knob_octaves
    ruling = {each.name: given.of(each.name, knob) for each in production.columns}
    own, other = {}, {}
    for each in production.columns:
        own[each.name], other[each.name] = decisions_of(each, ruling[each.name], given.rule)
    by_own, by_other = (whole_decisions(production, each) for each in (own, other))
    runs = runs_of(production.visits)
    return Rejudged(
        batches=tuple(sorted({each.batch_code for each in production.visits})),
        product=production.visits[0].product,
        demonstration=production.product.product.demonstration,
        units=len(runs),
        visits=len(production.visits),
        sweeps=production.sweeps,
        own=_yield(runs, by_own, first_only=False),
        other=_yield(runs, by_other, first_only=False),
        first_own=_yield(runs, by_own, first_only=True),
        first_other=_yield(runs, by_other, first_only=True),
        moved=_moved(by_own, by_other),
        characteristics=tuple(
            CharacteristicYield(
                each.name,
                each.visits.size,
                _accepted(own[each.name]),
                _accepted(other[each.name]),
                *_shown_limits(each, ruling[each.name]),
            )
            for each in production.columns
        ),
        differences=_differences(production, own, by_own),
        remarks=production.remarks,
    )


def whole_decisions(production: Production, decisions: Mapping[str, Places]) -> Places:
    """Decision on each visit, (visits,): the worst of its characteristics.

    A verdict that was withheld for the bench's sake stays withheld.
    """
    worst = np.full(len(production.visits), len(FROM_WORST), dtype=np.intp)
    stored = np.full(len(production.visits), len(FROM_WORST), dtype=np.intp)
    for column in production.columns:
        np.minimum.at(worst, column.visits, decisions[column.name])
        np.minimum.at(stored, column.visits, column.decisions)
    undecided = PLACE[Decision.NO_DECISION]
    verdicts = np.array([FROM_TEXT[each.decision] for each in production.visits], dtype=np.intp)
    withheld = (verdicts == undecided) & (stored != undecided)
    return np.where(withheld | (worst == len(FROM_WORST)), undecided, worst)


def _yield(runs: Sequence[Sequence[int]], decisions: Places, *, first_only: bool) -> YieldOf:
    if not runs:
        raise WrongInput("No unit has a verdict on which a yield could rest: check the batches with 'rig batches'.")
    begins = np.cumsum([0, *map(len, runs[:-1])])
    in_runs = decisions[np.fromiter(chain.from_iterable(runs), dtype=np.intp)]
    best = in_runs[begins] if first_only else np.maximum.reduceat(in_runs, begins)
    accepted = _accepted(best)
    return YieldOf(
        accepted, int(np.count_nonzero(best == PLACE[Decision.PASS])), len(runs), share_interval(accepted, len(runs))
    )


def _accepted(decisions: Places) -> int:
    return int(np.count_nonzero(np.isin(decisions, [PLACE[each] for each in ACCEPTED])))


def _moved(before: Places, after: Places) -> dict[str, int]:
    """How many visits would have been decided otherwise, by what became of what."""
    changed = before != after
    pairs, counts = np.unique(np.stack([before[changed], after[changed]]), axis=1, return_counts=True)
    moved = {
        f"{FROM_WORST[one].value} to {FROM_WORST[other].value}": int(count)
        for one, other, count in zip(*pairs.tolist(), counts.tolist(), strict=True)
    }
    return dict(sorted(moved.items()))


def _shown_limits(column: Column, limits: Limits | None) -> tuple[float | None, float | None]:
    low, high = (column.low[-1], column.high[-1]) if limits is None else sides(limits)
    return (None if np.isinf(low) else float(low)), (None if np.isinf(high) else float(high))


def _differences(production: Production, own: Mapping[str, Places], by_own: Places) -> tuple[str, ...]:
    """Where the record and judging again under the same limits do not agree, in sentences."""
    said = []
    for column in production.columns:
        scale = np.maximum(1.0, np.abs(column.stored))
        doubt = np.nan_to_num(0.5 * (column.upper - column.lower))
        off = column.anew & (np.abs(column.value - column.stored) > AGREES * scale + OF_ITS_DOUBT * doubt)
        if np.any(off):
            which = production.visits[int(column.visits[np.flatnonzero(off)[0]])]
            count = int(np.count_nonzero(off))
            differ = "differs" if count == 1 else "differ"
            worst = float(np.max(np.abs(column.value - column.stored)[off]))
            said.append(
                f"{column.name}: {counted(count, 'value')} computed anew {differ} from what is recorded, by "
                f"{worst:.3g} at most (first in visit {which.visit_id} of {which.serial})."
            )
        unlike = np.flatnonzero(own[column.name] != column.decisions)
        if unlike.size:
            which = production.visits[int(column.visits[unlike[0]])]
            many = counted(unlike.size, "decision")
            said.append(
                f"{column.name}: {many} would not be the same under their own limits (first "
                f"in visit {which.visit_id} of {which.serial})."
            )
    verdicts = np.array([FROM_TEXT[each.decision] for each in production.visits], dtype=np.intp)
    unlike = np.flatnonzero(by_own != verdicts)
    for place in unlike[:MOST_EXAMPLES].tolist():
        visit = production.visits[place]
        said.append(
            f"Visit {visit.visit_id} of {visit.serial}: its verdict is {visit.decision}, and its findings say "
            f"{FROM_WORST[int(by_own[place])].value}."
        )
    if unlike.size > MOST_EXAMPLES:
        said.append(f"{unlike.size - MOST_EXAMPLES} more verdicts are not what their findings say.")
    return tuple(said)

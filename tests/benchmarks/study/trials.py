"""All methods on the units of one batch."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from math import nan
from typing import TYPE_CHECKING

from rig.operators.port import MeterPlace
from tests.benchmarks.study.bench import place, put_in_warm, score, serials
from tests.benchmarks.study.hands import LOOK_S, SWITCH_S
from tests.benchmarks.study.manual import (
    LENIENT_CENTS,
    RIGHT_WITHIN_CENTS,
    Skill,
    TunerHand,
    tune_as_practised,
    tune_skilfully,
)
from tests.benchmarks.study.rig_side import adjust_warm

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from db.learning import ObservationRow
    from tests.benchmarks.study.bench import Place, Score


class Method(StrEnum):
    """Who adjusts."""

    PRACTISED = "(a) by hand, as practised"
    SKILLED = "(a') by hand, skilled"
    COLD = "(b) rig, cold"
    LEARNED = "(c) rig, after ten units"


@dataclass(frozen=True, slots=True)
class Trial:
    """One unit adjusted by one method: moves by trim, bench time after warm-up, and what the truth says of the end.

    The expanded uncertainties of the worst errors are the rig's own; a tuner states none. ``lenient`` where a hand left
    alone what the study's ordinary hands would not.
    """

    method: Method
    serial: str
    moves: Mapping[str, int]
    bench_s: float
    score: Score
    expanded_full_cents: float = nan
    expanded_musical_cents: float = nan
    lenient: bool = False


Shown = tuple["ObservationRow", ...]
"""What the moves of one unit have shown of its trims."""


@dataclass(frozen=True, slots=True)
class BatchTask:
    """One batch of the study; so many other units of it go before, for those who learn.

    :param right_within_cents: when a hand leaves an interval alone.
    :param lenient_as_well: whether the batch is adjusted by lenient hands too.
    """

    seed: int
    batch: int
    units: int
    taught_by: int = 10
    right_within_cents: float = RIGHT_WITHIN_CENTS
    lenient_as_well: bool = False


def run_batch(task: BatchTask) -> list[Trial]:
    """All four methods on the units of a batch; reproducible from the task alone."""
    cold, shown = _cold(task)
    trials = [*_practised(task), *skilled(task), *cold, *_learned(task, shown)]
    if task.lenient_as_well:
        lenient = replace(task, right_within_cents=LENIENT_CENTS)
        trials += [replace(each, lenient=True) for each in (*_practised(lenient), *skilled(lenient))]
    return trials


def _bench_seed(task: BatchTask) -> int:
    return task.seed * 10_000 + task.batch


def _by_hand(
    here: Place, serial: str, method: Method, tune: Callable[[TunerHand], None], right_within_cents: float
) -> Trial:
    put_in_warm(here, serial)
    began = here.bench.clock.now()
    hand = TunerHand(
        here.bench, here.line, here.product, here.worker, SWITCH_S, LOOK_S, right_within_cents=right_within_cents
    )
    tune(hand)
    return Trial(method, serial, dict(hand.moves), here.bench.clock.now() - began, score(here))


def _practised(task: BatchTask) -> list[Trial]:
    with place(_bench_seed(task)) as here:
        return [
            _by_hand(here, serial, Method.PRACTISED, tune_as_practised, task.right_within_cents)
            for serial in serials(here.product, task.batch, task.units)
        ]


def skilled(task: BatchTask) -> list[Trial]:
    """The skilled hand has had other units of the batch before."""
    skill = Skill()
    with place(_bench_seed(task)) as here:
        numbered = serials(here.product, task.batch, task.units + task.taught_by)
        trials = [
            _by_hand(here, serial, Method.SKILLED, lambda hand: tune_skilfully(hand, skill), task.right_within_cents)
            for serial in (*numbered[task.units :], *numbered[: task.units])
        ]
    return trials[task.taught_by :]


def _by_rig(here: Place, serial: str, method: Method, taught: Sequence[ObservationRow]) -> tuple[Trial, Shown]:
    put_in_warm(here, serial)
    here.worker.connect_meter(MeterPlace.RAIL)
    began = here.bench.clock.now()
    made = adjust_warm(here, serial, taught)
    trial = Trial(
        method,
        serial,
        made.moves,
        here.bench.clock.now() - began,
        score(here),
        made.expanded_full_cents,
        made.expanded_musical_cents,
    )
    return trial, made.shown


def _cold(task: BatchTask) -> tuple[list[Trial], list[Shown]]:
    """Every unit as if it were the first of its batch; and what each has shown, with enough units to teach others."""
    with place(_bench_seed(task)) as here:
        numbered = serials(here.product, task.batch, max(task.units, task.taught_by + 1))
        pairs = [_by_rig(here, serial, Method.COLD, ()) for serial in numbered]
    return [trial for trial, _ in pairs[: task.units]], [shown for _, shown in pairs]


def _learned(task: BatchTask, shown: Sequence[Shown]) -> list[Trial]:
    """Every unit after others of its batch: what these showed when the cold rig adjusted them is known."""
    trials = []
    with place(_bench_seed(task)) as here:
        for index, serial in enumerate(serials(here.product, task.batch, task.units)):
            others = [shown[(index + step) % len(shown)] for step in range(1, task.taught_by + 1)]
            taught = [row for rows in others for row in rows]
            trials.append(_by_rig(here, serial, Method.LEARNED, taught)[0])
    return trials

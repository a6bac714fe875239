"""The rig's side of the study: its own stages with its own rules, on a warm unit, with a record that is not kept."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING
from uuid import UUID

from rig.acquire import Acquisition
from rig.product import StageName
from rig.records import MoveMade
from rig.science.drift import DriftRate
from rig.science.learning import Belief, expectation, learn_batch, taken_from
from rig.science.trims import Pivot
from rig.stages.warm_up import WarmedUp
from rig.visit import STAGES, Purpose, _Work, _worth_another_round

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tests.benchmarks.study.bench import Place

NOTHING = UUID(int=0)
STEADY = WarmedUp(DriftRate(0.0, 0.05), DriftRate(0.0, 0.05), 0.0, steady=True)


class NoRecord:
    """Takes what a recorder takes, and keeps nothing."""

    oscillator = ""
    visit_id = NOTHING

    def sweep(self, *_what: object) -> UUID:
        """Begin no sweep."""
        return NOTHING

    def point(self, *_what: object) -> None:
        """Keep no point."""

    def reading(self, *_what: object) -> None:
        """Keep no reading."""

    def fit(self, *_what: object) -> None:
        """Keep no fit."""

    def recommendation(self, *_what: object) -> None:
        """Keep no advice."""

    @contextmanager
    def move(self, *_what: object) -> Iterator[MoveMade]:
        """Keep no move."""
        yield MoveMade()


@dataclass(frozen=True, slots=True)
class Adjusted:
    """What the rig made of a unit: moves by trim, expanded uncertainties of its worst errors, what it learned."""

    moves: Mapping[str, int]
    expanded_full_cents: float
    expanded_musical_cents: float
    pivot_seen: Belief | None


def adjust_warm(here: Place, pivot: Pivot | None) -> Adjusted:
    """All stages of the product's own order but warm-up, and again while the proof fails and a trim can help.

    :param pivot: what other units of the batch have taught of the scale trim's pivot; None for a cold start.
    """
    work = _Work(Acquisition(here.bench, here.product, here.line), here.worker, NoRecord(), Purpose.ADJUST)
    work.warmed = STEADY
    first, *others = [stage for stage in here.product.stages if stage is not StageName.WARM_UP]
    STAGES[first](work)
    if pivot is not None:
        work.tracking.pivots["scale"] = pivot
    before = work.tracking.pivots["scale"]
    for stage in others:
        STAGES[stage](work)
    for _ in range(1, work.acquisition.measuring.most_rounds):
        if not _worth_another_round(work):
            break
        for stage in others:
            STAGES[stage](work)
    after = work.tracking.pivots["scale"]
    findings = {each.characteristic: each for each in (work.left or work.found).findings}
    return Adjusted(
        moves=dict(work.moves),
        expanded_full_cents=findings["tracking_full"].expanded_uncertainty,
        expanded_musical_cents=findings["tracking_musical"].expanded_uncertainty,
        pivot_seen=taken_from(
            Belief(after.octaves, after.standard_uncertainty), Belief(before.octaves, before.standard_uncertainty)
        ),
    )


def learned_pivot(here: Place, seen: Sequence[Belief | None]) -> Pivot:
    """What a batch has taught of the pivot, for its next unit."""
    trim = here.product.trims["scale"]
    by_file = Belief(float(__import__("math").log2(trim.pivot_hz)), trim.pivot_spread_octaves)
    told = [each for each in seen if each is not None]
    batch = learn_batch(
        expectation(by_file, 0.3), [each.mean for each in told], [each.standard_uncertainty for each in told]
    )
    return Pivot(batch.next_unit.mean, batch.next_unit.standard_uncertainty)

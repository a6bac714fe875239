"""The rig's side of the study: its own stages in the product's own order, on a unit that is warm already.

Nothing is kept in a database; what a visit would have kept of its trims for the units that follow is handed over.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

from db.learning import ObservationRow
from rig.acquire import Acquisition
from rig.knowledge import known_trims
from rig.product import StageName
from rig.records import MoveMade
from rig.science.drift import DriftRate
from rig.stages.warm_up import WarmedUp
from rig.workflow import STAGES, Purpose, Work, worth_another_round

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from drivers.clock import Clock
    from rig.science.learning import Belief
    from tests.benchmarks.study.bench import Place

NOBODY = UUID(int=0)
STEADY = WarmedUp(DriftRate(0.0, 0.05), DriftRate(0.0, 0.05), 0.0, steady=True)
"""The unit is as warm for the rig as for everybody else in the study, and the rig is told so."""


@dataclass(slots=True)
class NoRecord:
    """Takes what a recorder takes, and keeps only what moves have shown of their trims."""

    clock: Clock
    serial: str
    batch: str
    shown: list[ObservationRow] = field(default_factory=list)
    oscillator: str = ""
    visit_id: UUID = NOBODY

    def sweep(self, *_what: object) -> UUID:
        """Begin no sweep."""
        return NOBODY

    def point(self, *_what: object) -> None:
        """Keep no point."""

    def reading(self, *_what: object) -> None:
        """Keep no reading."""

    def fit(self, *_what: object) -> None:
        """Keep no fit."""

    def recommendation(self, *_what: object) -> None:
        """Keep no advice."""

    def found(self, *_what: object) -> None:
        """Keep no findings."""

    @contextmanager
    def move(self, *_what: object) -> Iterator[MoveMade]:
        """Keep no move."""
        yield MoveMade()

    def observation(self, trim: str, quantity: str, seen: Belief) -> None:
        """Keep what a move showed of its trim."""
        unit = uuid5(NOBODY, self.serial)
        self.shown.append(
            ObservationRow(
                unit_id=unit,
                visit_id=unit,
                batch_code=self.batch,
                oscillator=self.oscillator,
                trim=trim,
                quantity=quantity,
                value=seen.mean,
                standard_uncertainty=seen.standard_uncertainty,
                taken_utc=self.clock.utc(),
            )
        )


@dataclass(frozen=True, slots=True)
class Adjusted:
    """What the rig made of a unit: moves by trim, expanded uncertainties of its worst errors, what its moves showed."""

    moves: Mapping[str, int]
    expanded_full_cents: float
    expanded_musical_cents: float
    shown: tuple[ObservationRow, ...]


def adjust_warm(here: Place, serial: str, taught: Sequence[ObservationRow]) -> Adjusted:
    """All stages of the product's order but warm-up, and again while the proof fails and a trim can help.

    :param taught: what the moves of other units of the batch have shown; empty for a cold start.
    """
    batch = here.product.serial.batch_of(serial)
    record = NoRecord(here.bench.clock, serial, batch)
    known = {name: each.knowledge for name, each in known_trims(here.product, taught, batch).items()}
    acquisition = Acquisition(here.bench, here.product, here.line)
    work = Work(acquisition, here.worker, record, Purpose.ADJUST, known, warmed=STEADY)
    stages = [stage for stage in here.product.stages if stage is not StageName.WARM_UP]
    for stage in stages:
        STAGES[stage](work)
    for _ in range(1, acquisition.measuring.most_rounds):
        if not worth_another_round(work):
            break
        for stage in stages[1:]:
            STAGES[stage](work)
    final = work.left or work.found
    if final is None:
        raise RuntimeError(f"the rig measured nothing of {serial}")
    expanded = {each.characteristic: each.expanded_uncertainty for each in final.findings}
    return Adjusted(
        moves=dict(work.moves),
        expanded_full_cents=expanded["tracking_full"],
        expanded_musical_cents=expanded["tracking_musical"],
        shown=tuple(record.shown),
    )

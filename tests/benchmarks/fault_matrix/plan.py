"""Which messages and commits belong to which stage of an undisturbed visit, and the cells that follow from it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import rig.visit
import rig.workflow
from drivers.virtual.trouble import COMPUTER, OF_LINKS, ROLES, Kind, Role, kinds_of
from tests.benchmarks.fault_matrix.record import DISK_FULL, LOCKED, CommitCount

if TYPE_CHECKING:
    from drivers.virtual.bench import VirtualBench

A_WHILE, FOREVER = 25, 10**9
RECORD = "record"
OPENING, ENDING = "opening", "ending"
MOMENTS = ("first", "middle", "last")
SUDDEN = (Kind.POWER_CYCLED, Kind.TRIPPED, Kind.CLOCK_JUMP, Kind.TWICE, Kind.CLOSED)
"""What happens and is over: it has no long form."""
JUMPS_S = (7200.0, -7200.0, 400 * 86400.0, -400 * 86400.0)
MULTIPLES = (2.0, 3.0, 0.5)


@dataclass(frozen=True, slots=True)
class Span:
    """Messages of each role, commits and points before a stage and at its end."""

    stage: str
    first: dict[str, int]
    last: dict[str, int]
    points_before: Counter[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Cell:
    """One fault at one moment of one stage.

    :param at: number of the message (or commit) with which it begins.
    :param lasts: messages that it lasts.
    """

    stage: str
    moment: str
    role: str
    kind: str
    at: int
    lasts: int
    amount: float | None

    @property
    def forever(self) -> bool:
        return self.lasts == FOREVER

    def __str__(self) -> str:
        much = "" if self.amount is None else f" {self.amount:g}"
        lasts = " for good" if self.forever else f" for {self.lasts}"
        return f"{self.stage}/{self.moment}: {self.role} {self.kind}{much}{lasts} @{self.at}"


@dataclass
class Stages:
    """Watches an undisturbed visit and notes where its stages begin and end."""

    bench: VirtualBench
    commits: CommitCount
    points: Callable[[], Counter[tuple[float, float]]]
    spans: list[Span] = field(default_factory=list)

    def counts(self) -> dict[str, int]:
        messages = {role: self.bench.troubles.of[role].messages for role in (*ROLES, COMPUTER)}
        return {**messages, RECORD: self.commits.count}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        before, points = self.counts(), self.points()
        yield
        first = {each: count + 1 for each, count in before.items()}
        self.spans.append(Span(name, first, self.counts(), points))

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Visits meanwhile have their stages noted."""
        stages, attempt = dict(rig.workflow.STAGES), rig.visit.attempt

        def noted(name: str, run: Callable[[rig.workflow.Work], None]) -> Callable[[rig.workflow.Work], None]:
            def noting(work: rig.workflow.Work) -> None:
                with self.stage(name):
                    run(work)

            return noting

        def attempted(bench, operator, what, work):
            with self.stage(what):
                return attempt(bench, operator, what, work)

        rig.workflow.STAGES = {stage: noted(stage.value, run) for stage, run in stages.items()}
        rig.visit.attempt = attempted
        try:
            yield
        finally:
            rig.workflow.STAGES, rig.visit.attempt = stages, attempt


def cells_of(spans: list[Span]) -> list[Cell]:
    """Every fault of every role at first, middle and last message of every stage that talks to it."""
    cells: list[Cell] = []
    for span in spans:
        for role in (*ROLES, COMPUTER, RECORD):
            first, last = span.first[role], span.last[role]
            if last < first:
                continue
            moments = dict(zip(MOMENTS, (first, (first + last) // 2, last), strict=True))
            for moment, at in moments.items():
                cells += [
                    Cell(span.stage, moment, role, kind, at, lasts, amount) for kind, lasts, amount in _variants(role)
                ]
    return list(dict.fromkeys(cells))


def _variants(role: str) -> Iterator[tuple[str, int, float | None]]:
    if role == RECORD:
        yield from ((DISK_FULL, FOREVER, None), (LOCKED, FOREVER, None))
        return
    of: Role = next(each for each in (*ROLES, COMPUTER) if each == role)
    for kind in kinds_of(of):
        amounts: tuple[float | None, ...] = (None,)
        if kind is Kind.CLOCK_JUMP:
            amounts = JUMPS_S
        if kind is Kind.MULTIPLE:
            amounts = MULTIPLES
        for amount in amounts:
            yield kind.value, 1, amount
            if kind not in SUDDEN:
                yield kind.value, FOREVER, amount
            if kind not in OF_LINKS and kind not in SUDDEN:
                yield kind.value, A_WHILE, amount

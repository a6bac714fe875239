"""A unit that left before and is back: as found now against as left then, and the part that the change points to.

All of it comes from the record, so that it says the same at the bench and years later.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from db import history, returned, returns
from db.questions import connection_of
from rig.bench_suspect import bench_parts
from rig.errors import WrongInput
from rig.returned_state import COVERAGE, state_of
from rig.science.change import State, Suspicion, difference, suspect
from rig.science.conformity import Decision
from rig.science.reference import normalised_error
from rig.suspects import (
    BENCH,
    CV_PATH,
    NOISE,
    SLOPE,
    TERM_OF,
    TWO_BENCHES,
    UNIT_OF,
    UNKNOWN,
    advice_on,
    ordinary_changes,
    parts_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime, tzinfo
    from uuid import UUID

    from sqlalchemy.orm import Session

    from db.history import FindingRow, UnitHistory, VisitRow
    from db.returned import ReturnRow
    from rig.product import Product

PASSED = (Decision.PASS.value, Decision.CONDITIONAL_PASS.value)
FOUND_SWEEPS, LEFT_SWEEPS = ("as_found",), ("as_found", "resumed", "as_left")
MOVED = 1.5
"""Normalised error from which a characteristic has moved. One in twenty of a sound unit lies beyond 1; a unit has more
than a dozen, and all of them lie within 1.5 at 95 % (Z. Sidak's bound for 14: 2.9 standard uncertainties)."""
ALIKE = 3.0
"""Two suspects whose probabilities differ by less than this factor are not told apart."""
WORTH_SAYING = 3
"""So many characteristics are named in one sentence, the largest change first."""
WORTH_NAMING = 0.03
"""A suspect below this probability is not named."""
SURE = 0.5
SHIFT = timedelta(hours=8)
"""How long a shift works (common practice): what passed within it is still in the house, on whichever day it began."""
MEASURED = ("law", "range", "controls")
"""Tables of a product file that say what a characteristic is measured against, and where."""


class Reason(StrEnum):
    """Why units come back."""

    OUT_OF_TUNE = "out of tune"
    DRIFTS = "drifts"
    NOISY = "noisy or cutting out"
    DEAD = "dead"
    DAMAGED = "damaged"
    CHECK_UP = "check-up, no complaint"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Changed:
    """One characteristic as it left and as it was found, with expanded uncertainties, and their normalised error."""

    characteristic: str
    unit: str
    left: float
    left_expanded_uncertainty: float
    found: float
    found_expanded_uncertainty: float
    normalised_error: float
    ordinary: float = 0.0
    """By so much a sound unit differs from visit to visit."""
    inside: bool = True
    """Whether it was found inside its limits."""

    @property
    def difference(self) -> float:
        """Found less left."""
        return self.found - self.left

    @property
    def expanded_uncertainty(self) -> float:
        """Of the difference; both visits taken as independent."""
        return float(np.hypot(self.left_expanded_uncertainty, self.found_expanded_uncertainty))

    @property
    def moved(self) -> bool:
        """Whether the difference is clearly larger than its uncertainty, and than what is ordinary."""
        return abs(self.normalised_error) > MOVED and abs(self.difference) > self.ordinary + self.expanded_uncertainty


@dataclass(frozen=True, slots=True)
class Named:
    """A suspect in words."""

    suspect: str
    probability: float
    sentence: str


@dataclass(frozen=True, slots=True)
class OscillatorChange:
    """What the change of one oscillator points to. ``nothing`` is the probability that no part has changed."""

    oscillator: str
    suspects: tuple[Named, ...]
    nothing: float
    sentence: str


@dataclass(frozen=True, slots=True)
class CameBack:
    """A unit's visit against the one in which it left."""

    serial: str
    shipped: VisitRow
    visit_id: UUID
    reason: ReturnRow | None
    differences: tuple[Changed, ...]
    oscillators: tuple[OscillatorChange, ...]
    sentences: tuple[str, ...]


class NothingToCompare(WrongInput):
    """There is no earlier visit in which the unit left, or none since."""


def last_left(recorded: UnitHistory, before: datetime | None = None) -> VisitRow | None:
    """The last visit that a unit left with a pass; None when it never did.

    :param before: only visits begun earlier; None for all.
    """
    left = [
        each
        for each in recorded.visits
        if each.verdict is not None
        and each.verdict.decision in PASSED
        and each.as_left
        and (before is None or each.started_utc < before)
    ]
    return left[-1] if left else None


def is_back(recorded: UnitHistory | None, now: datetime, *, entered: bool = False) -> bool:
    """Whether a unit that is scanned now has left before: its last verdict was a pass, and not of the present shift.

    :param now: aware.
    :param entered: somebody entered since it left that it came back, so that it did in the same shift too.
    """
    if recorded is None:
        return False
    judged = [each for each in recorded.visits if each.verdict is not None]
    if not judged or judged[-1].verdict is None or judged[-1].verdict.decision not in PASSED:
        return False
    return entered or not is_of_this_shift(judged[-1].started_utc, now)


def is_of_this_shift(began: datetime, now: datetime, zone: tzinfo | None = None) -> bool:
    """Whether a visit is of the shift that works now: of the same day, or a night shift's from before midnight.

    :param began: aware.
    :param now: aware.
    :param zone: whose days count; ``None`` for the computer's own, which knows when summer time begins and ends.
    """
    return began.astimezone(zone).date() >= now.astimezone(zone).date() or now - began < SHIFT


def reason_since(session: Session, unit_id: UUID, left: VisitRow | None) -> ReturnRow | None:
    """Why the unit came back, when that has been asked since it left."""
    since = (left.ended_utc or left.started_utc) if left is not None else None
    entered = returned.returns_of(connection_of(session), unit_id, since)
    return entered[-1] if entered else None


def compare(session: Session, product: Product, serial: str, visit_id: UUID | None = None) -> CameBack:
    """Hold a visit's as-found measurement against how the unit left before.

    :param visit_id: None for the latest visit that found something.
    :raises NotFound: no such unit.
    :raises NothingToCompare: it never left, or was not measured since.
    """
    recorded = history.history(connection_of(session), serial)
    measured = [each for each in recorded.visits if each.as_found and visit_id in (None, each.visit_id)]
    if not measured:
        raise NothingToCompare(f"Unit {serial} has no as-found measurement to compare: measure it first.")
    visit = measured[-1]
    left = last_left(recorded, visit.started_utc)
    if left is None:
        raise NothingToCompare(
            f"Unit {serial} was not seen leaving with a pass before {visit.started_utc:%Y-%m-%d %H:%M} UTC: there is "
            "nothing to compare it with."
        )
    differences = changes(left.as_left, visit.as_found)
    oscillators = tuple(
        _oscillator(session, product, name, left, visit, differences, serial) for name in product.oscillators
    )
    return CameBack(
        serial=serial,
        shipped=left,
        visit_id=visit.visit_id,
        reason=reason_since(session, recorded.unit_id, left),
        differences=differences,
        oscillators=oscillators,
        sentences=(
            *_circumstances(left, visit),
            *_measured_otherwise(session, left, visit),
            *(each.sentence for each in oscillators),
        ),
    )


def changes(left: Sequence[FindingRow], found: Sequence[FindingRow]) -> tuple[Changed, ...]:
    """Characteristics that both visits measured, in the order of the second."""
    before = {each.characteristic: each for each in left}
    made = []
    for now in found:
        then = before.get(now.characteristic)
        if then is None or then.unit != now.unit:
            continue
        numbers = (then.value, then.expanded_uncertainty, now.value, now.expanded_uncertainty)
        if None in numbers or not (then.expanded_uncertainty or now.expanded_uncertainty):
            continue
        left_value, left_u, found_value, found_u = (float(each or 0.0) for each in numbers)
        error = normalised_error(found_value, found_u, left_value, left_u)
        # a rate when warm depends on how cold the unit came in: the limit is what it may be
        drifts = _spoken(now.characteristic).startswith("drift")
        ordinary = (now.upper_limit or 0.0) if drifts else 0.0
        inside = now.decision in PASSED
        made.append(
            Changed(now.characteristic, now.unit, left_value, left_u, found_value, found_u, error, ordinary, inside)
        )
    return tuple(made)


def _circumstances(left: VisitRow, visit: VisitRow) -> list[str]:
    said = []
    if left.bench != visit.bench:
        said.append(
            f"It left from the {left.bench} and is now on the {visit.bench}: what the benches differ by is in the "
            "uncertainties only as far as their calibrations say."
        )
    warmer = _warmer_k(left, visit)
    if abs(warmer) >= 3.0:
        said.append(
            f"The room is {abs(warmer):.0f} K {'warmer' if warmer > 0.0 else 'colder'} than when it left: part of a "
            "change of scale and base may be that."
        )
    return said


def _measured_otherwise(session: Session, left: VisitRow, visit: VisitRow) -> list[str]:
    """A sentence where the product file says otherwise than it did then what is measured."""
    then, now = (tomllib.loads(returns.product_text(session, each.visit_id)) for each in (left, visit))
    changed = [table for table in MEASURED if then.get(table) != now.get(table)]
    if not changed:
        return []
    tables = " and ".join(f"[{table}]" for table in changed)
    return [
        f"The product file says something else under {tables} than when it left: what comes of that alone is none of "
        "the unit's doing."
    ]


def _warmer_k(left: VisitRow, visit: VisitRow) -> float:
    if left.ambient_c is None or visit.ambient_c is None:
        return 0.0
    return visit.ambient_c - left.ambient_c


def _oscillator(
    session: Session,
    product: Product,
    name: str,
    left: VisitRow,
    visit: VisitRow,
    differences: Sequence[Changed],
    serial: str,
) -> OscillatorChange:
    own = [each for each in differences if each.characteristic.rpartition(".")[0] == name]
    then = state_of(session, product, name, left.visit_id, left.as_left, LEFT_SWEEPS)
    now = state_of(session, product, name, visit.visit_id, visit.as_found, FOUND_SWEEPS)
    changed = difference(then, now)
    if not changed.names:
        return OscillatorChange(name, (), 0.0, "As found it gives nothing that could be compared with how it left.")
    parts = [*parts_of(product), *bench_parts(session, product, left, visit)]
    weighed = suspect(changed, parts, ordinary_changes(product, _warmer_k(left, visit)), UNKNOWN)
    named = _named(weighed, changed, two_benches=left.bench != visit.bench)
    inside = all(each.decision in PASSED for each in visit.as_found if each.characteristic.rpartition(".")[0] == name)
    which = f"{serial}, {name}" if name else serial
    said = _sentence(weighed, named, own, changed, inside=inside)
    return OscillatorChange(name, named, weighed.nothing_probability, f"{which}: {said}")


def _sentence(
    weighed: Suspicion, named: Sequence[Named], own: Sequence[Changed], changed: State, *, inside: bool
) -> str:
    first = named[:2]
    if {each.suspect for each in first} == {BENCH, CV_PATH} and first[0].probability < ALIKE * first[1].probability:
        return _bench_or_cv_path(first, changed)
    if named and named[0].probability >= max(SURE, weighed.nothing_probability):
        return named[0].sentence
    if weighed.nothing_probability >= SURE:
        return _nothing(weighed.nothing_probability, own, inside=inside)
    if weighed.unknown_probability >= SURE:
        return (
            f"something has changed ({_percent(weighed.unknown_probability)} sure) and it looks like no single part: "
            "look for damage, then measure again."
        )
    candidates = " or ".join(f"{each.suspect} ({_percent(each.probability)})" for each in named[:3]) or "no part"
    return f"the change does not point to one part: {candidates}; measure again after the next thing tried."


def _nothing(probability: float, own: Sequence[Changed], *, inside: bool) -> str:
    """No part points out; what moved and lies outside its limits has changed all the same."""
    steady = sorted((each for each in own if not each.ordinary), key=lambda each: -abs(each.normalised_error))
    seen = [
        f"{each.difference:+.2g} {each.unit} of {_spoken(each.characteristic)}, "
        f"{abs(each.normalised_error):.1f} times its uncertainty"
        for each in steady
    ]
    largest = f"; the largest change is {seen[0]}" if seen else ""
    if inside:
        return (
            f"No fault found ({_percent(probability)} sure){largest}; what its owner heard may come from what no bench "
            "sees: another power supply, another room, the patch."
        )
    astray = [words for each, words in zip(steady, seen, strict=True) if each.moved and not each.inside]
    if astray:
        return (
            f"it has moved and is outside its limits: {'; '.join(astray[:WORTH_SAYING])}. No single part explains that "
            f"better than ageing, transport or another room ({_percent(probability)} sure). Next: adjust it, and "
            "measure it once more after a day."
        )
    return (
        f"Nothing has changed that points to a part ({_percent(probability)} sure){largest}; it is outside its limits "
        "all the same, as the findings say."
    )


def _bench_or_cv_path(named: Sequence[Named], changed: State) -> str:
    """A unit on two benches cannot say which of them, or its own CV input, has changed the CV."""
    sure = {each.suspect: _percent(each.probability) for each in named}
    return (
        f"the CV weighs otherwise than when it left ({_term(changed, SLOPE)}): it is {TWO_BENCHES.part} "
        f"({sure[BENCH]}), or {advice_on(CV_PATH).part} ({sure[CV_PATH]}). One unit cannot tell these apart. "
        f"Next: {TWO_BENCHES.try_next}."
    )


def _named(weighed: Suspicion, changed: State, *, two_benches: bool) -> tuple[Named, ...]:
    """Suspects in words, most likely first. Of a pair only the parts whose own terms have changed are named."""
    probabilities: dict[tuple[str, ...], float] = {}
    for each in weighed.suspects:
        shown = tuple(part for part in each.parts if len(each.parts) == 1 or _changed(changed, part)) or each.parts
        probabilities[shown] = probabilities.get(shown, 0.0) + each.probability
    named = []
    for parts, probability in sorted(probabilities.items(), key=lambda each: -each[1]):
        if probability < WORTH_NAMING:
            break
        advice = [advice_on(part, two_benches=two_benches) for part in parts]
        terms = dict.fromkeys(term for part in parts for term in _terms_of(part) if term in changed.names)
        seen = ", ".join(_term(changed, term) for term in terms)
        named.append(
            Named(
                " and ".join(parts),
                probability,
                f"likely {'; and '.join(one.part for one in advice)} "
                f"({_percent(probability)} sure{f'; {seen}' if seen else ''}). "
                f"Next: {'; '.join(one.try_next for one in advice)}.",
            )
        )
    return tuple(named)


def _changed(changed: State, part: str) -> bool:
    """Whether a term of the part itself lies beyond its expanded uncertainty; True where none was measured."""
    places = [changed.names.index(term) for term in _terms_of(part) if term in changed.names]
    deviations = np.sqrt(np.diagonal(changed.covariance)[places])
    return not places or bool(np.any(np.abs(changed.values[places]) > COVERAGE * deviations))


def _terms_of(part: str) -> tuple[str, ...]:
    return TERM_OF.get(part, (part,))


def _term(changed: State, term: str) -> str:
    place = changed.names.index(term)
    value = float(changed.values[place])
    expanded = COVERAGE * float(np.sqrt(changed.covariance[place, place]))
    if term == NOISE:
        return f"noise {np.exp(value):.1f} times what it was"
    label, unit = UNIT_OF.get(term, (term, "cents"))
    return f"{label} {value:+.3g} {unit}, U {expanded:.2g}"


def _percent(probability: float) -> str:
    return "over 99 %" if probability > 0.99 else f"{100.0 * probability:.0f} %"


def _spoken(characteristic: str) -> str:
    return characteristic.rpartition(".")[2].replace("_", " ")

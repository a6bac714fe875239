"""What judging again reads: visits with a verdict, the points of their last sweeps, their findings as left.

Made for a year of production at once: plain rows with as few columns as will do, the visits known by their number in
the list. Nothing is written.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from math import inf
from typing import Any, NamedTuple
from uuid import UUID

from db.questions import Asked, Value, ask, ask_in_handfuls
from db.stored_values import identifier

LONGER = "measured longer"
"""Said in the note of a finding that rests on more readings than those of its sweep."""

PLACES = 1 << 16
"""Sweeps of a visit, twice the points of a sweep and revisions of a finding are fewer. One whole number says which row
it is of which visit: a row of few columns is read quicker, and a double holds it for 2 million visits."""
MARKS = 1 << 6
"""What is marked on a finding is fewer."""


class JudgedVisit(NamedTuple):
    """A visit with a verdict; its place in the list is its number in the other rows.

    A tuple: a hundred thousand are made, and handed from process to process, in a third of the time of other objects.
    """

    key: bytes
    serial: str
    batch_code: str
    product: str
    product_revision_id: UUID
    bench_revision_id: UUID
    purpose: str
    decision: str
    moved: bool

    @property
    def visit_id(self) -> UUID:
        """Key of the visit."""
        return UUID(bytes=self.key)


_JUDGED = """
FROM visit
JOIN unit ON unit.id = visit.unit_id
JOIN verdict ON verdict.visit_id = visit.id
WHERE unit.batch_code IN :batch_codes
    AND (CAST(:product AS TEXT) IS NULL OR unit.product_id = (SELECT id FROM product WHERE name = :product))
    AND NOT EXISTS (SELECT 1 FROM verdict AS correction WHERE correction.corrects_verdict_id = verdict.id)
"""
"""Visits with the verdict that stands."""
_IN_ORDER = "unit.serial, visit.started_utc, visit.id"
"""Units one after another, and the visits of each as they began."""
_NUMBERED = f"WITH numbered AS (SELECT visit.id, row_number() OVER (ORDER BY {_IN_ORDER}) - 1 AS number {_JUDGED})"
_VISITS = f"""
SELECT visit.id, unit.serial, unit.batch_code, (SELECT name FROM product WHERE id = unit.product_id),
    visit.product_revision_id, visit.bench_revision_id, visit.purpose, verdict.decision,
    EXISTS (SELECT 1 FROM move WHERE move.visit_id = visit.id)
{_JUDGED}
ORDER BY {_IN_ORDER}
"""
_COUNTS = """
SELECT product.name, unit.batch_code, count(*)
FROM unit JOIN product ON product.id = unit.product_id
WHERE unit.batch_code IN :batch_codes
GROUP BY product.name, unit.batch_code
"""
_KNOWN = "SELECT count(*) FROM unit WHERE batch_code IN :batch_codes"
_MAY_REST_ON = "purpose IN ('as_found', 'resumed', 'as_left')"
"""Purposes of sweeps that findings may rest on; those as left rest on the last one of a visit."""
_LAST_SWEEPS = f"""
FROM numbered
JOIN sweep ON sweep.visit_id = numbered.id AND sweep.{_MAY_REST_ON}
    AND NOT EXISTS (
        SELECT 1 FROM sweep AS later
        WHERE later.visit_id = sweep.visit_id AND later.{_MAY_REST_ON} AND later.controls = sweep.controls
            AND later.sequence > sweep.sequence
    )
"""
"""The last of each visit, under the same controls."""
_SWEEPS = f"{_NUMBERED} SELECT numbered.number, sweep.sequence, sweep.controls {_LAST_SWEEPS}"
_POINTS = f"""
{_NUMBERED}
SELECT (numbered.number * {PLACES} + sweep.sequence) * {PLACES} + 2 * point.point_index
        + CAST(point.revisit AS INTEGER),
    point.cv_v, point.frequency_hz, point.relative_standard_uncertainty, point.elapsed_s
{_LAST_SWEEPS}
JOIN point ON point.sweep_id = sweep.id
"""
_FINDINGS = f"""
{_NUMBERED}
SELECT finding.characteristic,
    (numbered.number * {PLACES} + finding.revision) * {MARKS} + 4 * CASE finding.decision DECISIONS END
        + CASE WHEN finding.note LIKE :longer THEN 2 ELSE 0 END + CASE WHEN finding.rule = :guarded THEN 1 ELSE 0 END,
    coalesce(finding.value, :infinite), coalesce(finding.bound_low, :infinite),
    coalesce(finding.bound_high, :infinite), coalesce(finding.lower_limit, -:infinite),
    coalesce(finding.upper_limit, :infinite)
FROM numbered JOIN finding ON finding.visit_id = numbered.id AND finding.phase = 'as_left'
"""
_PRODUCT_TEXTS = "SELECT id, toml_text FROM product_revision WHERE id IN :revisions"
_BENCH_TEXTS = "SELECT id, toml_text FROM bench_revision WHERE id IN :revisions"


def judged_visits(connection: Asked, batch_codes: Sequence[str], product: str | None = None) -> tuple[JudgedVisit, ...]:
    """Visits of some batches that have a verdict, each unit's in the order in which they began.

    :param product: only units of this product.
    """
    key = lru_cache(identifier)  # a year has few revisions
    return tuple(
        JudgedVisit(
            own if isinstance(own, bytes) else own.bytes,
            serial,
            batch,
            name,
            key(product_id),
            key(bench_id),
            purpose,
            decision,
            bool(moved),
        )
        for rows in ask_in_handfuls(connection, _VISITS, batch_codes=batch_codes, product=product)
        for own, serial, batch, name, product_id, bench_id, purpose, decision, moved in rows
    )


def units_of_products(connection: Asked, batch_codes: Sequence[str]) -> dict[tuple[str, str], int]:
    """How many units of each product are in each of some batches, judged or not.

    :return: count by product and batch code, where there are any.
    """
    return {(product, code): count for product, code, count in ask(connection, _COUNTS, batch_codes=batch_codes)}


def known_units(connection: Asked, batch_codes: Sequence[str]) -> int:
    """How many units some batches have, judged or not: told in no time."""
    ((count,),) = ask(connection, _KNOWN, batch_codes=batch_codes)
    return int(count)


def last_sweeps(
    connection: Asked, batch_codes: Sequence[str], product: str | None = None
) -> Iterator[Sequence[tuple[int, int, str]]]:
    """The last sweep of each visit, of each of its oscillators: needed where units have several.

    Handfuls of rows in no particular order: number of the visit, number of the sweep in it, controls of the sweep (JSON
    text).
    """
    return ask_in_handfuls(connection, _SWEEPS, batch_codes=batch_codes, product=product)


def last_points(
    connection: Asked, batch_codes: Sequence[str], product: str | None = None
) -> Iterator[Sequence[tuple[float, ...]]]:
    """Points of those sweeps, as they were taken.

    Handfuls of rows of nothing but numbers, in no particular order: place, CV (V), frequency (Hz), its relative
    standard uncertainty, time (s). The place is (number of the visit x PLACES + number of the sweep in it) x PLACES
    + 2 x number of the point, + 1 where the point is a return to one measured before.
    """
    return ask_in_handfuls(connection, _POINTS, batch_codes=batch_codes, product=product)


def findings_as_left(
    connection: Asked,
    batch_codes: Sequence[str],
    product: str | None = None,
    *,
    decisions: Mapping[str, int],
    guarded: str,
) -> Iterator[Sequence[tuple[Any, ...]]]:
    """Findings as left, with their corrections.

    Handfuls of rows in no particular order: characteristic, place and marks, value, its lower and upper bound, lower
    and upper limit. What is missing is infinite (a lower limit minus infinity): arrays are made of numbers quicker than
    of what may be nothing. Place and marks are (number of the visit x PLACES + revision) x MARKS + 4 x the number of
    the decision, + 2 where the finding was measured longer, + 1 where its rule is the guarded one.

    :param decisions: number that stands for each decision: numbers are read quicker than words.
    :param guarded: words of the guarded rule.
    """
    named = {f"decision_{place}": decision for place, decision in enumerate(decisions)}
    cases = " ".join(f"WHEN :{name} THEN {int(decisions[decision])}" for name, decision in named.items())
    given: dict[str, Value] = {**named, "product": product, "longer": f"%{LONGER}%", "guarded": guarded}
    question = _FINDINGS.replace("DECISIONS", cases)
    return ask_in_handfuls(connection, question, batch_codes=batch_codes, infinite=inf, **given)


def product_texts(connection: Asked, revision_ids: Sequence[UUID]) -> dict[UUID, str]:
    """Product files as they were."""
    return {identifier(key): text for key, text in ask(connection, _PRODUCT_TEXTS, revisions=revision_ids)}


def bench_texts(connection: Asked, revision_ids: Sequence[UUID]) -> dict[UUID, str]:
    """Bench files as they were."""
    return {identifier(key): text for key, text in ask(connection, _BENCH_TEXTS, revisions=revision_ids)}

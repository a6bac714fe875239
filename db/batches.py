"""What is asked of a batch: its units, their visits with what was found and decided, and what was turned."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple
from uuid import UUID

from db.errors import NotFound
from db.questions import Asked, ask
from db.stored_values import document, identifier, moment, perhaps_moment

Key = UUID | bytes
"""Key of a row, as it is stored."""
NEAREST_SHOWN = 3
LEFT_ALONE = "left alone"
"""How the outcome of a move begins that nobody would make: it is no move of that trim."""


@dataclass(frozen=True, slots=True)
class BatchLine:
    """One batch of one product in a list of batches."""

    batch_code: str
    product: str
    units: int
    visits: int
    first_utc: datetime | None
    last_utc: datetime | None
    demonstration: bool


class Found(NamedTuple):
    """One finding of a visit as it stands after all corrections; a tuple, since a batch has thousands."""

    phase: str
    characteristic: str
    value: float | None
    unit: str
    lower_limit: float | None
    upper_limit: float | None
    decision: str


@dataclass(frozen=True, slots=True)
class BatchVisit:
    """One visit of a unit of the batch; ``decision`` is that of the verdict that stands, None while there is none."""

    visit_id: UUID
    serial: str
    product: str
    bench: str
    purpose: str
    started_utc: datetime
    ended_utc: datetime | None
    demonstration: bool
    decision: str | None
    causes: tuple[str, ...]
    moves: dict[str, int]
    findings: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class BatchRecord:
    """All that is recorded of a batch: serials by product, and visits in the order in which they began."""

    batch_code: str
    serials: dict[str, tuple[str, ...]]
    visits: tuple[BatchVisit, ...]


_LINES = """
SELECT unit.batch_code, product.name, count(DISTINCT unit.id), count(visit.id), min(visit.started_utc),
    max(visit.started_utc) AS last_utc, count(visit.id) FILTER (WHERE visit.demonstration)
FROM unit
JOIN product ON product.id = unit.product_id
LEFT JOIN visit ON visit.unit_id = unit.id
WHERE unit.batch_code IS NOT NULL
GROUP BY unit.batch_code, product.name
ORDER BY last_utc DESC NULLS LAST, unit.batch_code
"""
_LATEST_LINES = f"{_LINES} LIMIT :latest"
_UNITS = """
SELECT unit.id, unit.serial, product.name
FROM unit JOIN product ON product.id = unit.product_id
WHERE unit.batch_code = :batch_code
ORDER BY unit.serial
"""
_VISITS = """
SELECT visit.id, visit.unit_id, bench.name, visit.purpose, visit.started_utc, visit.ended_utc, visit.demonstration
FROM visit
JOIN unit ON unit.id = visit.unit_id
JOIN bench_revision ON bench_revision.id = visit.bench_revision_id
JOIN bench ON bench.id = bench_revision.bench_id
WHERE unit.batch_code = :batch_code
ORDER BY visit.started_utc, visit.id
"""
_VERDICTS = """
SELECT verdict.id, verdict.visit_id, verdict.corrects_verdict_id, verdict.decision, verdict.causes
FROM verdict JOIN visit ON visit.id = verdict.visit_id JOIN unit ON unit.id = visit.unit_id
WHERE unit.batch_code = :batch_code
"""
_MOVES = """
SELECT move.visit_id, move.trim, count(*)
FROM move JOIN visit ON visit.id = move.visit_id JOIN unit ON unit.id = visit.unit_id
WHERE unit.batch_code = :batch_code AND move.outcome NOT LIKE :left_alone
GROUP BY move.visit_id, move.trim
"""
_FINDINGS = """
SELECT finding.visit_id, finding.phase, finding.characteristic, finding.value, finding.unit, finding.lower_limit,
    finding.upper_limit, finding.decision
FROM finding JOIN visit ON visit.id = finding.visit_id JOIN unit ON unit.id = visit.unit_id
WHERE unit.batch_code = :batch_code
ORDER BY finding.visit_id, finding.revision, finding.created_utc, finding.characteristic
"""
_COUNTED_IN = "SELECT DISTINCT characteristic, unit FROM finding WHERE visit_id = :visit_id"


def batch_lines(connection: Asked, *, latest: int | None = None) -> tuple[BatchLine, ...]:
    """Batches, the one visited last first; one line for each product in a batch.

    :param latest: how many at most; None for all.
    """
    rows = ask(connection, _LINES) if latest is None else ask(connection, _LATEST_LINES, latest=latest)
    return tuple(
        BatchLine(code, product, units, visits, perhaps_moment(first), perhaps_moment(last), bool(demonstrations))
        for code, product, units, visits, first, last, demonstrations in rows
    )


def batch_record(connection: Asked, batch_code: str) -> BatchRecord:
    """Units of a batch with their visits.

    :raises NotFound: no unit of this batch was ever recorded.
    """
    units = ask(connection, _UNITS, batch_code=batch_code)
    if not units:
        raise NotFound(_unknown(connection, batch_code))
    serials: defaultdict[str, list[str]] = defaultdict(list)
    for _, serial, product in units:
        serials[product].append(serial)
    names = {unit_key: (serial, product) for unit_key, serial, product in units}
    decisions = _standing_verdicts(connection, batch_code)
    moves = _moves(connection, batch_code)
    findings = _standing_findings(connection, batch_code)
    recorded = []
    for row in ask(connection, _VISITS, batch_code=batch_code):
        key, unit_key, bench, purpose, started, ended, demonstration = row
        serial, product = names[unit_key]
        decision, causes = decisions.get(key, (None, ()))
        recorded.append(
            BatchVisit(
                visit_id=identifier(key),
                serial=serial,
                product=product,
                bench=bench,
                purpose=purpose,
                started_utc=moment(started),
                ended_utc=perhaps_moment(ended),
                demonstration=bool(demonstration),
                decision=decision,
                causes=causes,
                moves=moves.get(key, {}),
                findings=tuple(findings.get(key, {}).values()),
            )
        )
    return BatchRecord(batch_code, {product: tuple(each) for product, each in serials.items()}, tuple(recorded))


def _unknown(connection: Asked, batch_code: str) -> str:
    """A sentence on a batch that is not there, with a few that are."""
    there = [line.batch_code for line in batch_lines(connection, latest=NEAREST_SHOWN)]
    known = f"the last ones are {', '.join(there)}" if there else "no batch is recorded at all"
    return f"No unit of batch {batch_code} is recorded ({known}): check the code, and which database is used."


def _standing_verdicts(connection: Asked, batch_code: str) -> dict[Key, tuple[str, tuple[str, ...]]]:
    rows = ask(connection, _VERDICTS, batch_code=batch_code)
    corrected = {corrects for _, _, corrects, _, _ in rows}
    return {
        visit: (decision, tuple(document(causes))) for own, visit, _, decision, causes in rows if own not in corrected
    }


def _moves(connection: Asked, batch_code: str) -> dict[Key, dict[str, int]]:
    moves: defaultdict[Key, dict[str, int]] = defaultdict(dict)
    for visit, trim, count in ask(connection, _MOVES, batch_code=batch_code, left_alone=f"{LEFT_ALONE}%"):
        moves[visit][trim] = count
    return moves


def _standing_findings(connection: Asked, batch_code: str) -> dict[Key, dict[tuple[str, str], Found]]:
    # a correction comes later and takes the place of what it corrects, which keeps its place in the order
    standing: defaultdict[Key, dict[tuple[str, str], Found]] = defaultdict(dict)
    for visit, *rest in ask(connection, _FINDINGS, batch_code=batch_code):
        found = Found._make(rest)
        standing[visit][found.phase, found.characteristic] = found
    return standing


def units_of_characteristics(connection: Asked, visit_id: UUID) -> dict[str, str]:
    """Unit in which each characteristic of a visit is counted."""
    return dict(map(tuple, ask(connection, _COUNTED_IN, visit_id=visit_id)))

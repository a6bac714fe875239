"""The history of a unit, and visits that were never closed, as frozen values that outlive the connection."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

from db.errors import NotFound
from db.questions import Asked, ask
from db.stored_values import document, identifier, moment, perhaps_identifier, perhaps_moment


@dataclass(frozen=True, slots=True)
class FindingRow:
    """A finding as it stands after all corrections; the numbers are in ``unit``."""

    phase: str
    characteristic: str
    revision: int
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage_probability: float | None
    lower_limit: float | None
    upper_limit: float | None
    bound_low: float | None
    bound_high: float | None
    rule: str
    decision: str
    note: str | None
    created_utc: datetime


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """A verdict; ``corrects_verdict_id`` names the one that it takes the place of."""

    verdict_id: UUID
    decision: str
    causes: tuple[str, ...]
    reason: str
    corrects_verdict_id: UUID | None
    created_utc: datetime


@dataclass(frozen=True, slots=True)
class VisitRow:
    """One visit with what was found and decided; ``verdicts`` runs from the first to the one that stands."""

    visit_id: UUID
    bench: str
    operator: str
    purpose: str
    software_version: str
    started_utc: datetime
    ended_utc: datetime | None
    outcome: str | None
    ambient_c: float | None
    demonstration: bool
    seed: int | None
    verdicts: tuple[VerdictRow, ...]
    as_found: tuple[FindingRow, ...]
    as_left: tuple[FindingRow, ...]
    closed_because: str = ""
    """Why it was closed when it might have gone on, and by whom; empty for one that came to its own end."""
    moves: int = 0
    """Moves of its trims that were finished."""

    @property
    def verdict(self) -> VerdictRow | None:
        """The verdict that stands; None while there is none."""
        return self.verdicts[-1] if self.verdicts else None


@dataclass(frozen=True, slots=True)
class UnitHistory:
    """A unit and all its visits, oldest first."""

    unit_id: UUID
    serial: str
    product: str
    batch_code: str | None
    visits: tuple[VisitRow, ...]


@dataclass(frozen=True, slots=True)
class UnfinishedVisit:
    """A visit that was begun and never ended, and what it has so far: it can be resumed or closed."""

    visit_id: UUID
    serial: str
    bench: str
    operator: str
    purpose: str
    started_utc: datetime
    points: int
    moves: int


_UNIT = """
SELECT unit.id, unit.serial, product.name, unit.batch_code
FROM unit JOIN product ON product.id = unit.product_id
WHERE unit.serial = :serial
"""
_VISITS = """
SELECT visit.id, bench.name, visit.operator, visit.purpose, visit.software_version, visit.started_utc, visit.ended_utc,
    visit.outcome, visit.ambient_c, visit.demonstration, visit.seed, visit_closing.reason, visit_closing.closed_by,
    (SELECT count(*) FROM move WHERE move.visit_id = visit.id)
FROM visit
LEFT JOIN visit_closing ON visit_closing.visit_id = visit.id
JOIN bench_revision ON bench_revision.id = visit.bench_revision_id
JOIN bench ON bench.id = bench_revision.bench_id
WHERE visit.unit_id = :unit_id
ORDER BY visit.started_utc, visit.id
"""
_FINDINGS = """
SELECT finding.visit_id, finding.phase, finding.characteristic, finding.revision, finding.value, finding.unit,
    finding.expanded_uncertainty, finding.coverage_probability, finding.lower_limit, finding.upper_limit,
    finding.bound_low, finding.bound_high, finding.rule, finding.decision, finding.note, finding.created_utc
FROM finding JOIN visit ON visit.id = finding.visit_id
WHERE visit.unit_id = :unit_id
ORDER BY finding.revision
"""
_VERDICTS = """
SELECT verdict.visit_id, verdict.id, verdict.decision, verdict.causes, verdict.reason, verdict.corrects_verdict_id,
    verdict.created_utc
FROM verdict JOIN visit ON visit.id = verdict.visit_id
WHERE visit.unit_id = :unit_id
"""
_UNFINISHED = """
SELECT visit.id, unit.serial, bench.name, visit.operator, visit.purpose, visit.started_utc,
    (SELECT count(*) FROM point JOIN sweep ON sweep.id = point.sweep_id WHERE sweep.visit_id = visit.id),
    (SELECT count(*) FROM move WHERE move.visit_id = visit.id)
FROM visit
JOIN unit ON unit.id = visit.unit_id
JOIN bench_revision ON bench_revision.id = visit.bench_revision_id
JOIN bench ON bench.id = bench_revision.bench_id
WHERE visit.ended_utc IS NULL
ORDER BY visit.started_utc, visit.id
"""


def unknown_serial(serial: str) -> NotFound:
    """What is said of a unit that was never recorded."""
    return NotFound(f"No unit with serial {serial} is recorded: check the serial, and which database is used.")


def history(connection: Asked, serial: str) -> UnitHistory:
    """All that is known of a unit: visits, findings as found and as left, verdicts with their corrections.

    :raises NotFound: no unit with this serial was ever recorded.
    """
    units = ask(connection, _UNIT, serial=serial)
    if not units:
        raise unknown_serial(serial)
    ((key, recorded, product, batch_code),) = units
    unit_id = identifier(key)
    findings = _standing_findings(connection, unit_id)
    verdicts = _verdicts(connection, unit_id)
    visits = []
    for row in ask(connection, _VISITS, unit_id=unit_id):
        (key, bench, operator, purpose, version, started, ended, outcome, ambient_c) = row[:9]
        (demonstration, seed, reason, closed_by, moves) = row[9:]
        visit_id = identifier(key)
        visits.append(
            VisitRow(
                visit_id=visit_id,
                bench=bench,
                operator=operator,
                purpose=purpose,
                software_version=version,
                started_utc=moment(started),
                ended_utc=perhaps_moment(ended),
                outcome=outcome,
                ambient_c=ambient_c,
                demonstration=bool(demonstration),
                seed=seed,
                verdicts=_from_first_to_standing(verdicts[visit_id]),
                as_found=tuple(each for each in findings[visit_id] if each.phase == "as_found"),
                as_left=tuple(each for each in findings[visit_id] if each.phase == "as_left"),
                closed_because="" if reason is None else f"{reason} ({closed_by})",
                moves=moves,
            )
        )
    return UnitHistory(unit_id, recorded, product, batch_code, tuple(visits))


def merged(there: UnitHistory | None, here: UnitHistory | None) -> UnitHistory | None:
    """One history from two records of the same unit: a visit in both counts once, as the first has it."""
    if there is None or here is None:
        return there or here
    known = {each.visit_id for each in there.visits}
    visits = (*there.visits, *(each for each in here.visits if each.visit_id not in known))
    return replace(there, visits=tuple(sorted(visits, key=lambda each: (each.started_utc, each.visit_id))))


def unfinished_visits(connection: Asked, bench_name: str | None = None) -> tuple[UnfinishedVisit, ...]:
    """Visits on a bench, under any of its revisions, that were begun and never ended; oldest first.

    :param bench_name: ``None`` for those of all benches.
    """
    return tuple(
        UnfinishedVisit(identifier(key), serial, bench, operator, purpose, moment(started), points, moves)
        for key, serial, bench, operator, purpose, started, points, moves in ask(connection, _UNFINISHED)
        if bench_name in (None, bench)
    )


def _standing_findings(connection: Asked, unit_id: UUID) -> dict[UUID, list[FindingRow]]:
    """Findings of each visit in the order in which they were first made, each as last corrected."""
    standing: dict[tuple[UUID, str, str], FindingRow] = {}
    first_made: dict[tuple[UUID, str, str], datetime] = {}
    for row in ask(connection, _FINDINGS, unit_id=unit_id):
        finding = FindingRow(*(*row[1:-1], moment(row[-1])))
        key = (identifier(row[0]), finding.phase, finding.characteristic)
        first_made.setdefault(key, finding.created_utc)
        standing[key] = finding
    by_visit: defaultdict[UUID, list[FindingRow]] = defaultdict(list)
    for key in sorted(standing, key=lambda key: (first_made[key], key[1:])):
        by_visit[key[0]].append(standing[key])
    return by_visit


def _verdicts(connection: Asked, unit_id: UUID) -> dict[UUID, list[VerdictRow]]:
    by_visit: defaultdict[UUID, list[VerdictRow]] = defaultdict(list)
    for visit_key, key, decision, causes, reason, corrects, created in ask(connection, _VERDICTS, unit_id=unit_id):
        by_visit[identifier(visit_key)].append(
            VerdictRow(
                verdict_id=identifier(key),
                decision=decision,
                causes=tuple(document(causes)),
                reason=reason,
                corrects_verdict_id=perhaps_identifier(corrects),
                created_utc=moment(created),
            )
        )
    return by_visit


def _from_first_to_standing(verdicts: list[VerdictRow]) -> tuple[VerdictRow, ...]:
    """Follow the corrections: the database allows one first verdict and one correction of each."""
    correction_of = {each.corrects_verdict_id: each for each in verdicts}
    chain: list[VerdictRow] = []
    following = correction_of.get(None)
    while following is not None and len(chain) < len(verdicts):
        chain.append(following)
        following = correction_of.get(following.verdict_id)
    return tuple(chain)

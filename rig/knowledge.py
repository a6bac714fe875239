"""What is known of a product's trims: from its file, from other batches, from the units of this batch so far."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from math import log2
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from db.learning import latest_texts, observations_of, revisions_of
from db.queries import content_sha256
from rig.errors import WrongInput
from rig.product import Product
from rig.science.learning import (
    Batch,
    Belief,
    Expectation,
    TrimKnowledge,
    combine,
    expectation,
    learn_batch,
    next_batch,
    taken_from,
)
from rig.tomlfile import Loaded, check

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from uuid import UUID

    from sqlalchemy.orm import Session

    from db.learning import ObservationRow
    from rig.product import Trim

PIVOT_UNIT_SPREAD_OCTAVES = 0.3
"""Pivots of one batch lie closer than those of different batches: a guess, and the batch itself corrects it."""
SMALLEST_RELATIVE_SPREAD = 0.02
"""No trim is alike from unit to unit by more than this, whatever its file says."""
UNITS_A_BATCH = 60
"""The latest units of a batch that count; more would not say more of the next one."""
UNITS_THAT_TELL_A_SPREAD = 5
OTHER_BATCHES = 24
MOST_KNOWN_BATCHES = 512
"""What other batches teach of each trim says the same at every scan: it is worked out once. The batch at work, which
says more with every unit, is not kept."""


@dataclass(frozen=True, slots=True)
class Learned:
    """One quantity (gain or pivot) of one trim.

    ``by_file`` is what the product file says of any unit, ``expected`` what was expected of the batch before its
    first unit (file and other batches), ``others`` what each other batch taught, the latest first.
    """

    by_file: Belief
    expected: Expectation
    others: tuple[tuple[str, Batch], ...]
    batch: Batch

    @property
    def next_unit(self) -> Belief:
        """Expected of the next unit of the batch."""
        return self.batch.next_unit


@dataclass(frozen=True, slots=True)
class KnownTrim:
    """One trim: as it is described, and what has been learned of it."""

    name: str
    trim: Trim
    gain: Learned
    pivot: Learned | None

    @property
    def knowledge(self) -> TrimKnowledge:
        """What the next unit is expected to be like."""
        return TrimKnowledge(self.gain.next_unit, self.pivot.next_unit if self.pivot is not None else None)


def learned_trims(
    session: Session, product: Loaded[Product], batch: str | None, *, demonstration: bool
) -> dict[str, KnownTrim]:
    """Read what has been learned of each trim of a product, for the next unit of a batch.

    :param batch: None for the first unit of a batch that nobody has seen.
    :param demonstration: as of the visit: what a demonstration taught never counts for real units, nor the reverse.
    """
    contents = product.contents
    revisions = alike_revisions(session, product)
    rows = observations_of(session, revisions, contents.trims, demonstration=demonstration, latest=400)
    if batch is not None:
        of_batch = observations_of(session, revisions, contents.trims, batch, demonstration=demonstration)
        rows = (*(row for row in rows if row.batch_code != batch), *of_batch)
    return known_trims(contents, rows, batch)


def recorded_product(session: Session, named: str) -> Loaded[Product]:
    """A product as the record knows it last, by the name that slips and records show, or by its code.

    :raises WrongInput: no product is recorded under that.
    :raises FileProblem: this version cannot read its file any more.
    """
    texts = latest_texts(session)
    wanted = named.strip().casefold()
    for name, text in texts.items():
        raw = tomllib.loads(text)
        identity = raw.get("product", {})
        code = identity.get("code", "") if isinstance(identity, dict) else ""
        if wanted in (name.casefold(), str(code).casefold()):
            contents = check(raw, Product, f"recorded product file of {name}")
            return Loaded(Path(name), text, content_sha256(text), contents)
    known = "; ".join(texts) or "none yet"
    raise WrongInput(
        f"{ascii(named)[:80]} is neither a product file nor a product of this record: name a file, or one of these "
        f"({known})."
    )


def alike_revisions(session: Session, product: Loaded[Product]) -> tuple[UUID, ...]:
    """Revisions of the product file that describe the same trims: a limit that was edited forgets nothing."""
    wanted = _trims_described(product.text)
    recorded = revisions_of(session, product.contents.product.name)
    return tuple(each.id for each in recorded if _trims_described(each.toml_text) == wanted)


def _trims_described(toml_text: str) -> tuple[object, object]:
    """The product's own revision, and its trims."""
    raw = tomllib.loads(toml_text)
    identity = raw.get("product", {})
    return identity.get("revision") if isinstance(identity, dict) else None, raw.get("trims")


def known_trims(product: Product, rows: Sequence[ObservationRow], batch: str | None) -> dict[str, KnownTrim]:
    """What observations say of each trim, for the next unit of a batch.

    :param rows: observations, oldest first; those of other trims are passed over.
    """
    return {
        name: KnownTrim(
            name,
            trim,
            _learned(_gain_by_file(trim), None, _of(rows, name, "gain"), batch),
            _learned_pivot(trim, _of(rows, name, "pivot"), batch),
        )
        for name, trim in product.trims.items()
    }


def _of(rows: Iterable[ObservationRow], trim: str, quantity: str) -> list[ObservationRow]:
    return [row for row in rows if row.trim == trim and row.quantity == quantity]


def _gain_by_file(trim: Trim) -> Belief:
    spread = max(trim.effect_per_turn_spread, SMALLEST_RELATIVE_SPREAD * abs(trim.effect_per_turn))
    return Belief(trim.effect_per_turn, spread)


def _learned_pivot(trim: Trim, rows: Sequence[ObservationRow], batch: str | None) -> Learned | None:
    if trim.pivot_hz is None or trim.pivot_spread_octaves is None:
        return None
    by_file = Belief(log2(trim.pivot_hz), trim.pivot_spread_octaves)
    return _learned(by_file, PIVOT_UNIT_SPREAD_OCTAVES, rows, batch)


def _learned(by_file: Belief, unit_spread: float | None, rows: Sequence[ObservationRow], batch: str | None) -> Learned:
    by_batch: dict[str | None, list[ObservationRow]] = {}
    for row in reversed(rows):
        by_batch.setdefault(row.batch_code, []).append(row)
    own = units_seen(by_batch.pop(batch, [])) if batch is not None else ()
    by_batch.pop(None, None)
    from_file = expectation(by_file, unit_spread)
    others = tuple(
        (str(code), _learn_once(from_file, units_seen(of_batch)))
        for code, of_batch in list(by_batch.items())[:OTHER_BATCHES]
    )
    expected = _expected(from_file, [each for _, each in others])
    return Learned(by_file, expected, others, _learn(expected, own))


def _expected(from_file: Expectation, others: Sequence[Batch]) -> Expectation:
    """Expected of a batch, from the file and from other batches."""
    alone = [taken_from(each.mean, from_file.mean) for each in others]
    mean = next_batch(from_file.mean, [each for each in alone if each is not None])
    seen = [each.unit_spread for each in others if len(each.good) >= UNITS_THAT_TELL_A_SPREAD]
    return Expectation(mean, median([from_file.unit_spread, *seen]))


def _learn(expected: Expectation, seen: Sequence[Belief]) -> Batch:
    return learn_batch(expected, [each.mean for each in seen], [each.standard_uncertainty for each in seen])


@lru_cache(maxsize=MOST_KNOWN_BATCHES)
def _learn_once(expected: Expectation, seen: tuple[Belief, ...]) -> Batch:
    return _learn(expected, seen)


def units_seen(rows: Sequence[ObservationRow]) -> tuple[Belief, ...]:
    """One belief a unit and oscillator, the latest units first: the moves of its last visit, taken together.

    :param rows: observations of one quantity of one trim, in one batch, latest first.
    """
    last_visit: dict[tuple[UUID, str], UUID] = {}
    seen: dict[tuple[UUID, str], Belief] = {}
    for row in rows:
        unit = (row.unit_id, row.oscillator)
        if last_visit.setdefault(unit, row.visit_id) != row.visit_id:
            continue
        shown = Belief(row.value, row.standard_uncertainty)
        seen[unit] = combine(seen[unit], shown) if unit in seen else shown
    return tuple(seen.values())[:UNITS_A_BATCH]

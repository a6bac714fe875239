"""A production as judging it again needs it: judged visits from the record, and their values from the stored sweeps.

Tracking, scale, highs and base pitch are computed anew from the points of the last sweep of each visit, all sweeps at
once; rail, octave steps, knob and drift are not in a sweep, and keep their values. How well a value is known does not
depend on its limits: the bounds stay as far from the value as they were found.
"""

from __future__ import annotations

import tomllib
from collections import defaultdict
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import chain, count
from json import loads
from math import log, log2, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np

from db.rejudging import (
    MARKS,
    PLACES,
    bench_texts,
    findings_as_left,
    judged_visits,
    last_points,
    last_sweeps,
    product_texts,
)
from rig.counted import counted
from rig.errors import WrongInput
from rig.limits_file import require_same_ranges
from rig.no_collecting import no_collecting
from rig.product import Product
from rig.science.conformity import FROM_WORST, Decision, Rule
from rig.science.sweeps import Sweeps, sweep_values
from rig.specification import SourceSpecification
from rig.tomlfile import check

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from uuid import UUID

    from numpy.typing import NDArray

    from db.questions import Asked
    from db.rejudging import JudgedVisit
    from rig.limits_file import OtherLimits

    Array = NDArray[np.float64]
    Places = NDArray[np.intp]
    Flags = NDArray[np.bool_]

FROM_SWEEPS = ("scale_error", "tracking_musical", "tracking_full", "highs_error", "base_pitch")
MEASURED_LONGER, GUARDED = 2, 1
"""Marks of a finding beside its decision, as they are read."""
ACCEPTED = (Decision.PASS, Decision.CONDITIONAL_PASS)
ACCEPTED_TEXTS = frozenset(decision.value for decision in ACCEPTED)
LEAST_POINTS = 9
POINT_COLUMNS = 5
"""Of the rows of points: place, CV (V), frequency (Hz), its relative standard uncertainty, time (s)."""
FROM_TEXT = {decision.value: place for place, decision in enumerate(FROM_WORST)}
"""Places in ``FROM_WORST`` by the decisions as the record spells them."""


class NothingJudged(WrongInput):
    """No unit of some batches has a verdict."""


@dataclass(frozen=True, slots=True)
class Column:
    """One characteristic over all visits that have it: ``visits`` (k,) are their numbers, the rest is (k,) as well.

    ``value`` as computed anew where it can be, with its bounds; ``stored`` as it was kept; ``low`` and ``high`` are its
    own limits, ``decisions`` its own decisions (places in ``FROM_WORST``).
    """

    name: str
    visits: Places
    value: Array
    lower: Array
    upper: Array
    stored: Array
    low: Array
    high: Array
    guarded: Flags
    decisions: Places
    anew: Flags


ARRAYS = tuple(field.name for field in fields(Column) if field.name != "name")


@dataclass(frozen=True, slots=True)
class Production:
    """Visits with everything that judging them again needs; ``knob_octaves`` is the nominal range of the knob.

    ``product`` is the last visit's; ``ranges`` are all ranges and laws that the units were swept by, as text.
    """

    visits: tuple[JudgedVisit, ...]
    columns: tuple[Column, ...]
    product: Product
    sweeps: int
    ranges: frozenset[str]

    @property
    def remarks(self) -> tuple[str, ...]:
        """What has to be known of these values, in sentences."""
        said = []
        if len(self.ranges) > 1:
            said.append("The product's ranges changed meanwhile: each unit is judged by its own.")
        swept = [each for each in self.columns if each.name.rpartition(".")[2] in FROM_SWEEPS]
        kept = sum(int(np.count_nonzero(~each.anew)) for each in swept)
        if kept:
            said.append(
                f"Of {counted(kept, 'finding')} of sweeps the recorded value is kept: they were measured longer, or "
                "their sweep is not whole."
            )
        return tuple(said)

    @property
    def knob_octaves(self) -> float | None:
        """Nominal range of the product's knob."""
        return None if self.product.controls.knob is None else self.product.controls.knob.range_octaves


@no_collecting()
def read_production(
    connection: Asked, batch_codes: Sequence[str], given: OtherLimits, place: str, product: str | None = None
) -> Production:
    """Read the judged visits of some batches with their last sweeps and their findings.

    :param place: where the limits come from, for messages.
    :raises NothingJudged: no unit of these batches has a verdict.
    :raises WrongInput: they hold several products and none is named, or a product file changes more than limits.
    """
    visits = judged_visits(connection, batch_codes, product)
    if not visits:
        raise NothingJudged(
            f"No unit of {_shown(batch_codes)}{'' if product is None else f' that is a {product}'} has a verdict: "
            "check the code with 'rig batches'."
        )
    names = sorted({each.product for each in visits})
    if len(names) > 1:
        raise WrongInput(
            f"{_shown(batch_codes)} holds units of {len(names)} products ({', '.join(names)}): name one with --product."
        )
    texts = product_texts(connection, tuple({each.product_revision_id for each in visits}))
    products = {own: _product(text) for own, text in texts.items()}
    for each in products.values():
        require_same_ranges(given, each, place)
    sources = {
        own: _source(text)
        for own, text in bench_texts(connection, tuple({each.bench_revision_id for each in visits})).items()
    }
    columns, sweeps = _measured(connection, batch_codes, product, visits, products, sources)
    return Production(
        visits=visits,
        columns=columns,
        product=products[visits[-1].product_revision_id],
        sweeps=sweeps,
        ranges=frozenset(each.range.model_dump_json() + each.law.model_dump_json() for each in products.values()),
    )


def joined(parts: Sequence[Production]) -> Production:
    """Productions of one product, of different batches, as one."""
    begins = np.cumsum([0, *(len(each.visits) for each in parts[:-1])]).tolist()
    columns: dict[str, list[Column]] = defaultdict(list)
    for begin, part in zip(begins, parts, strict=True):
        for column in part.columns:
            columns[column.name].append(replace(column, visits=column.visits + begin))
    return Production(
        visits=tuple(chain.from_iterable(each.visits for each in parts)),
        columns=tuple(
            Column(name, **{array: np.concatenate([getattr(part, array) for part in own]) for array in ARRAYS})
            for name, own in columns.items()
        ),
        product=max(parts, key=lambda each: each.visits[-1].serial).product,
        sweeps=sum(each.sweeps for each in parts),
        ranges=frozenset().union(*(each.ranges for each in parts)),
    )


def _measured(
    connection: Asked,
    batch_codes: Sequence[str],
    product: str | None,
    visits: Sequence[JudgedVisit],
    products: Mapping[UUID, Product],
    sources: Mapping[UUID, SourceSpecification],
) -> tuple[tuple[Column, ...], int]:
    """What was found, characteristic by characteristic, and from how many sweeps anew."""
    several = any(len(each.oscillators) > 1 for each in products.values())
    controls = tuple(chain.from_iterable(last_sweeps(connection, batch_codes, product))) if several else ()
    values, sweeps = _values_anew(last_points(connection, batch_codes, product), controls, visits, products, sources)
    findings = findings_as_left(connection, batch_codes, product, decisions=FROM_TEXT, guarded=Rule.GUARDED.value)
    return _columns(findings, values), sweeps


def _shown(batch_codes: Sequence[str]) -> str:
    return f"batch {batch_codes[0]}" if len(batch_codes) == 1 else f"{len(batch_codes)} batches"


@lru_cache(maxsize=256)
def _product(text: str) -> Product:
    return check(tomllib.loads(text), Product, "recorded product file")


@lru_cache(maxsize=256)
def _source(text: str) -> SourceSpecification:
    """What a recorded bench file states of its source; nothing else of the bench says anything of stored points."""
    stated = tomllib.loads(text)["source"]
    own = {name: value for name, value in stated.items() if name in SourceSpecification.model_fields}
    return check(own, SourceSpecification, "recorded bench file")


@lru_cache(maxsize=256)
def _oscillator_of(controls: str) -> str:
    """Name of the oscillator that a sweep is of, from its controls as stored; empty where a unit has but one."""
    named = loads(controls).get("oscillator", "")
    return str(named)


def _values_anew(
    points: Iterable[Sequence[tuple[float, ...]]],
    controls: Sequence[tuple[int, int, str]],
    visits: Sequence[JudgedVisit],
    products: Mapping[UUID, Product],
    sources: Mapping[UUID, SourceSpecification],
) -> tuple[dict[str, Array], int]:
    """Values of each characteristic, (visits,), NaN where there is none, from the points; and from how many sweeps.

    :param points: rows of points, in handfuls.
    :param controls: number of the visit, of the sweep in it, and its controls, where units have several oscillators.
    """
    numbers = chain.from_iterable(chain.from_iterable(points))
    table = np.fromiter(numbers, dtype=np.float64).reshape(-1, POINT_COLUMNS)
    if table.size == 0:
        return {}, 0
    if np.any(table[1:, 0] < table[:-1, 0]):
        table = table[np.argsort(table[:, 0])]
    place = table[:, 0].astype(np.int64)
    sweep, number = np.divmod(place, PLACES)
    begins = np.flatnonzero(np.diff(sweep, prepend=-1))
    owners = sweep[begins] // PLACES
    lengths = np.diff(np.append(begins, sweep.size))
    table[:, 0] = number % 2
    returns = np.add.reduceat(number % 2, begins)
    makes = list(dict.fromkeys((each.product_revision_id, each.bench_revision_id) for each in visits))
    make_of = {make: place for place, make in enumerate(makes)}
    made = np.array([make_of[each.product_revision_id, each.bench_revision_id] for each in visits], dtype=np.intp)
    names, oscillators = _oscillators(sweep[begins], controls)
    kinds, kind_of = np.unique(np.stack([made[owners], oscillators, lengths, returns]), axis=1, return_inverse=True)
    values: dict[str, Array] = {}
    counted = 0
    for kind, (make, oscillator, length, returned) in enumerate(kinds.T.tolist()):
        product, source = products[makes[make][0]], sources[makes[make][1]]
        # a sweep that was cut short says less than its findings, which came from another
        if length - returned < max(LEAST_POINTS, product.range.points):
            continue
        chosen = np.flatnonzero(kind_of == kind)
        part = np.moveaxis(table[begins[chosen, None] + np.arange(length)], -1, 0)
        found = _characteristics(np.ascontiguousarray(part), product, source)
        counted += chosen.size
        for name, each in found.items():
            named = f"{names[oscillator]}.{name}" if names[oscillator] else name
            values.setdefault(named, np.full(len(visits), np.nan))[owners[chosen]] = each
    return values, counted


def _oscillators(sweep: NDArray[np.int64], controls: Sequence[tuple[int, int, str]]) -> tuple[list[str], Places]:
    """Names of oscillators, and the place in them of each sweep."""
    if not controls:
        return [""], np.zeros(sweep.size, dtype=np.intp)
    named = {number * PLACES + own: _oscillator_of(text) for number, own, text in controls}
    names = sorted(set(named.values()))
    return names, np.array([names.index(named[each]) for each in sweep.tolist()], dtype=np.intp)


def _characteristics(part: Array, product: Product, source: SourceSpecification) -> dict[str, Array]:
    """Characteristics of sweeps of one product on one bench.

    :param part: (5, N, n): whether it is a return, CV, frequency, relative standard uncertainty, time.
    """
    returned, cv_v, frequency_hz, relative, time_s = part
    law, played = product.law.law(), product.range
    grid = source.resolution_v / sqrt(12.0) * np.abs(np.asarray(law.octaves_per_volt(cv_v)))
    slack_v = 0.02 * (played.full.high_v - played.full.low_v) / played.points
    musical = (cv_v >= played.musical.low_v - slack_v) & (cv_v <= played.musical.high_v + slack_v)
    sweeps = Sweeps(
        x=np.asarray(law.octaves(cv_v)),
        pitch=np.log2(frequency_hz),
        standard_uncertainty=np.hypot(relative / log(2.0), grid),
        time_s=time_s,
        first=returned == 0.0,
        musical=musical,
    )
    base_x = float(np.asarray(law.octaves(np.array([played.base_cv_v])))[0])
    found = sweep_values(sweeps, base_x, log2(played.lowest_note_hz))
    return {name: getattr(found, name) for name in FROM_SWEEPS}


def _columns(findings: Iterable[Sequence[tuple[Any, ...]]], anew: Mapping[str, Array]) -> tuple[Column, ...]:
    """Findings, characteristic by characteristic, as last corrected, with the values computed anew.

    :param findings: rows of findings, in handfuls.
    """
    code_of: defaultdict[str, int] = defaultdict(count().__next__)
    codes, tables = [], []
    for rows in findings:
        names, *numbers = zip(*rows, strict=True)
        codes.append(np.array([code_of[name] for name in names], dtype=np.intp))
        tables.append(np.array(numbers, dtype=np.float64))
    if not codes:
        return ()
    code, table = np.concatenate(codes), np.concatenate(tables, axis=1)
    order = np.lexsort((table[0], code))
    code, table = code[order], table[:, order]
    place, marks = np.divmod(table[0].astype(np.int64), MARKS)
    visit = place // PLACES
    # of a finding and its corrections, the last one stands
    standing = (np.diff(code, append=-1) != 0) | (np.diff(visit, append=-1) != 0)
    code, visit, marks, table = code[standing], visit[standing], marks[standing], table[1:, standing]
    begins = np.searchsorted(code, np.arange(len(code_of) + 1))
    parts = (slice(begins[each], begins[each + 1]) for each in code_of.values())
    return tuple(
        _column(name, visit[part], marks[part], table[:, part], anew.get(name))
        for name, part in zip(code_of, parts, strict=True)
    )


def _column(name: str, visits: Places, flags: Places, table: Array, anew: Array | None) -> Column:
    *known, low, high = table
    stored, below, above = (np.where(np.isinf(each), np.nan, each) for each in known)
    computed = np.full(visits.shape, np.nan) if anew is None else anew[visits]
    # what was measured longer rests on more readings than those of one sweep
    usable = np.isfinite(computed) & np.isfinite(stored) & (flags & MEASURED_LONGER == 0)
    value = np.where(usable, computed, stored)
    return Column(
        name=name,
        visits=visits,
        value=value,
        lower=value - (stored - below),
        upper=value + (above - stored),
        stored=stored,
        low=low,
        high=high,
        guarded=flags & GUARDED != 0,
        decisions=flags >> 2,
        anew=usable,
    )


def runs_of(visits: Sequence[JudgedVisit]) -> tuple[tuple[int, ...], ...]:
    """Places of the judged visits of each unit, up to the first that passed: what came later is a unit come back."""
    wanted = {"adjust"} if any(each.purpose == "adjust" for each in visits) else {each.purpose for each in visits}
    runs: defaultdict[str, list[int]] = defaultdict(list)
    passed: set[str] = set()
    for place, each in enumerate(visits):
        serial = each.serial
        if each.purpose in wanted and serial not in passed:
            runs[serial].append(place)
            if each.decision in ACCEPTED_TEXTS:
                passed.add(serial)
    return tuple(map(tuple, runs.values()))


def _is_accepted(visit: JudgedVisit) -> bool:
    return visit.decision in ACCEPTED_TEXTS


def only_units_that_left(production: Production) -> Production:
    """The last judged visit of each unit that left the line adjusted, or good as it was."""
    visits = production.visits
    last = sorted(run[-1] for run in runs_of(visits))
    kept = np.array([each for each in last if visits[each].moved or _is_accepted(visits[each])], dtype=np.intp)
    columns = []
    for column in production.columns:
        chosen = np.isin(column.visits, kept)
        if np.any(chosen):
            columns.append(replace(column, **{name: getattr(column, name)[chosen] for name in ARRAYS}))
    return replace(production, columns=tuple(columns))

"""A production as judging it again needs it: judged visits from the record, and their values from the stored sweeps.

Tracking, scale, highs and base pitch are computed anew from the points of the last sweep of each visit, all sweeps at
once; rail, octave steps, knob and drift are not in a sweep, and keep their values. How well a value is known does not
depend on its limits: the bounds stay as far from the value as they were found.
"""

from __future__ import annotations

import tomllib
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import lru_cache
from json import loads
from math import log, log2, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np

from db.rejudging import bench_texts, findings_as_left, judged_visits, last_points, last_sweeps, product_texts
from rig.bench import BenchFile
from rig.errors import WrongInput
from rig.limits_file import require_same_ranges
from rig.product import Product
from rig.science.conformity import FROM_WORST, Decision, Rule
from rig.science.sweeps import Sweeps, sweep_values
from rig.tomlfile import check

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from uuid import UUID

    from numpy.typing import NDArray
    from sqlalchemy.orm import Session

    from db.rejudging import JudgedVisit
    from rig.limits_file import OtherLimits

    Array = NDArray[np.float64]
    Places = NDArray[np.intp]
    Flags = NDArray[np.bool_]

FROM_SWEEPS = ("scale_error", "tracking_musical", "tracking_full", "highs_error", "base_pitch")
ACCEPTED = (Decision.PASS, Decision.CONDITIONAL_PASS)
LEAST_POINTS = 9
FROM_TEXT = {decision.value: place for place, decision in enumerate(FROM_WORST)}
"""Places in ``FROM_WORST`` by the decisions as the record spells them."""


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


@dataclass(frozen=True, slots=True)
class Production:
    """Visits with everything that judging them again needs; ``knob_octaves`` is the nominal range of the knob."""

    visits: tuple[JudgedVisit, ...]
    columns: tuple[Column, ...]
    product: Product
    sweeps: int
    remarks: tuple[str, ...]

    @property
    def knob_octaves(self) -> float | None:
        """Nominal range of the product's knob."""
        return None if self.product.controls.knob is None else self.product.controls.knob.range_octaves


def read_production(
    session: Session, batch_codes: Sequence[str], given: OtherLimits, place: str, product: str | None = None
) -> Production:
    """Read the judged visits of some batches with their last sweeps and their findings.

    :param place: where the limits come from, for messages.
    :raises WrongInput: nothing was judged in these batches, they hold several products and none is named, or a product
        file changes more than limits.
    """
    visits = judged_visits(session, batch_codes, product)
    if not visits:
        raise WrongInput(
            f"No unit of {_shown(batch_codes)}{'' if product is None else f' that is a {product}'} has a verdict: "
            "check the code with 'rig batches'."
        )
    names = sorted({each.product for each in visits})
    if len(names) > 1:
        raise WrongInput(
            f"{_shown(batch_codes)} holds units of {len(names)} products ({', '.join(names)}): name one with --product."
        )
    texts = product_texts(session, tuple({each.product_revision_id for each in visits}))
    products = {own: check(tomllib.loads(text), Product, "recorded product file") for own, text in texts.items()}
    for each in products.values():
        require_same_ranges(given, each, place)
    files = {
        own: check(tomllib.loads(text), BenchFile, "recorded bench file")
        for own, text in bench_texts(session, tuple({each.bench_revision_id for each in visits})).items()
    }
    controls = {(number, sequence): text for number, sequence, text in last_sweeps(session, batch_codes, product)}
    values, sweeps = _values_anew(last_points(session, batch_codes, product), controls, visits, products, files)
    rows = findings_as_left(session, batch_codes, product, decisions=FROM_TEXT, guarded=Rule.GUARDED.value)
    columns = _columns(rows, values)
    last = products[visits[-1].product_revision_id]
    unlike = len({(each.range, each.law.model_dump_json()) for each in products.values()}) > 1
    remarks = ["The product's ranges changed meanwhile: each unit is judged by its own."] if unlike else []
    kept = sum(int(np.count_nonzero(~each.anew)) for each in columns if each.name.rpartition(".")[2] in FROM_SWEEPS)
    if kept:
        remarks.append(
            f"{kept} findings of sweeps keep their recorded values: they were measured longer, or their sweep is not "
            "whole."
        )
    return Production(visits, columns, last, sweeps, tuple(remarks))


def _shown(batch_codes: Sequence[str]) -> str:
    return f"batch {batch_codes[0]}" if len(batch_codes) == 1 else f"{len(batch_codes)} batches"


@lru_cache(maxsize=256)
def _oscillator_of(controls: str) -> str:
    """Name of the oscillator that a sweep is of, from its controls as stored; empty where a unit has but one."""
    named = loads(controls).get("oscillator", "")
    return str(named)


def _values_anew(
    rows: Sequence[tuple[float, ...]],
    controls: Mapping[tuple[int, int], str],
    visits: Sequence[JudgedVisit],
    products: Mapping[UUID, Product],
    files: Mapping[UUID, BenchFile],
) -> tuple[dict[str, dict[int, float]], int]:
    """Values of each characteristic by the number of the visit, from the points; and from how many sweeps.

    :param controls: of each sweep, by the number of its visit and its own in it.
    """
    if not rows:
        return {}, 0
    table = np.array(rows, dtype=np.float64)
    table = table[np.lexsort(table[:, 2::-1].T)].T
    number, sequence = table[0].astype(np.intp), table[1].astype(np.intp)
    begins = np.flatnonzero((np.diff(number, prepend=-1) != 0) | (np.diff(sequence, prepend=-1) != 0))
    lengths = np.diff(np.append(begins, number.size))
    returns = np.add.reduceat(table[7] > 0.0, begins)
    groups: defaultdict[tuple[UUID, UUID, str, int, int], list[int]] = defaultdict(list)
    for begin, length, returned in zip(begins.tolist(), lengths.tolist(), returns.tolist(), strict=True):
        visit = visits[number[begin]]
        oscillator = _oscillator_of(controls[int(number[begin]), int(sequence[begin])])
        groups[visit.product_revision_id, visit.bench_revision_id, oscillator, length, int(returned)].append(begin)
    values: defaultdict[str, dict[int, float]] = defaultdict(dict)
    counted = 0
    for (product_id, bench_id, oscillator, length, returned), starts in groups.items():
        product = products[product_id]
        # a sweep that was cut short says less than its findings, which came from another
        if length - returned < max(LEAST_POINTS, product.range.points):
            continue
        part = table[3:, np.array(starts)[:, None] + np.arange(length)]
        found = _characteristics(part, product, files[bench_id])
        counted += len(starts)
        owners = number[starts].tolist()
        for name, each in found.items():
            named = f"{oscillator}.{name}" if oscillator else name
            values[named].update(zip(owners, each.tolist(), strict=True))
    return values, counted


def _characteristics(part: Array, product: Product, file: BenchFile) -> dict[str, Array]:
    """Characteristics of sweeps of one product on one bench.

    :param part: (5, N, n): CV, frequency, relative standard uncertainty, time, whether it is a return.
    """
    cv_v, frequency_hz, relative, time_s, returned = part
    law, played = product.law.law(), product.range
    grid = file.source.resolution_v / sqrt(12.0) * np.abs(np.asarray(law.octaves_per_volt(cv_v)))
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


def _columns(rows: Sequence[tuple[Any, ...]], anew: Mapping[str, Mapping[int, float]]) -> tuple[Column, ...]:
    """Findings, characteristic by characteristic, as last corrected, with the values computed anew."""
    if not rows:
        return ()
    place = {name: each for each, name in enumerate(dict.fromkeys(row[0] for row in rows))}
    code = np.array([place[row[0]] for row in rows], dtype=np.intp)
    table = np.array([row[1:] for row in rows], dtype=np.float64).T
    order = np.lexsort((table[1], table[0], code))
    code, table = code[order], table[:, order]
    # of a finding and its corrections, the last one stands
    standing = (np.diff(code, append=-1) != 0) | (np.diff(table[0], append=-1.0) != 0.0)
    code, table = code[standing], table[:, standing]
    return tuple(_column(name, table[:, code == each], anew.get(name, {})) for name, each in place.items())


def _column(name: str, table: Array, anew: Mapping[int, float]) -> Column:
    numbers, _, stored, below, above, low, high, guarded, decisions, longer = table
    visits = numbers.astype(np.intp)
    computed = np.array([anew.get(number, np.nan) for number in visits.tolist()])
    # what was measured longer rests on more readings than those of one sweep
    usable = np.isfinite(computed) & np.isfinite(stored) & (longer == 0.0)
    value = np.where(usable, computed, stored)
    return Column(
        name=name,
        visits=visits,
        value=value,
        lower=value - (stored - below),
        upper=value + (above - stored),
        stored=stored.copy(),
        low=np.where(np.isnan(low), -np.inf, low),
        high=np.where(np.isnan(high), np.inf, high),
        guarded=guarded != 0.0,
        decisions=decisions.astype(np.intp),
        anew=usable,
    )


def runs_of(visits: Iterable[JudgedVisit]) -> tuple[tuple[int, ...], ...]:
    """Numbers of the judged visits of each unit, up to the first that passed: what came later is a unit come back."""
    listed = list(visits)
    adjusting = any(each.purpose == "adjust" for each in listed)
    runs: defaultdict[str, list[JudgedVisit]] = defaultdict(list)
    for each in listed:
        run = runs[each.serial]
        wanted = each.purpose == "adjust" if adjusting else True
        if wanted and not (run and FROM_WORST[FROM_TEXT[run[-1].decision]] in ACCEPTED):
            run.append(each)
    return tuple(tuple(each.number for each in run) for run in runs.values() if run)


def only_units_that_left(production: Production) -> Production:
    """The last judged visit of each unit that left the line adjusted, or good as it was."""
    last = {run[-1] for run in runs_of(production.visits)}
    kept = np.array(
        sorted(
            each.number
            for each in production.visits
            if each.number in last and (each.moved or FROM_WORST[FROM_TEXT[each.decision]] in ACCEPTED)
        ),
        dtype=np.intp,
    )
    columns = []
    for column in production.columns:
        chosen = np.isin(column.visits, kept)
        if np.any(chosen):
            fields = ("visits", "value", "lower", "upper", "stored", "low", "high", "guarded", "decisions", "anew")
            columns.append(replace(column, **{name: getattr(column, name)[chosen] for name in fields}))
    return replace(production, columns=tuple(columns))

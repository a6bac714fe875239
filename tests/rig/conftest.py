"""A virtual bench, a database and a virtual operator, as the demonstration has them."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import pytest

from db.engine import Database, open_database
from drivers.source import VoltageLimits
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.bench import Bench, BenchFile, drawn_anew, load_bench, open_bench
from rig.operators.virtual import VirtualOperator
from rig.product import Product, load_product
from rig.tomlfile import Loaded
from rig.visit import Purpose, Request, Visit, run_visit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from pathlib import Path

    from rig.operators.port import Operator


RIGHT = {
    "scale": ("0.0042\nposition_turns = 10.3", "0.0042\nposition_turns = 8.104"),
    "highs": ("3.7e-7\nposition_turns = 7.5", "3.7e-7\nposition_turns = 12.93"),
    "rail": ("0.0016\nposition_turns = 7.1", "0.0016\nposition_turns = 5.666"),
    "base": ("0.028\nposition_turns = 10.0", "0.028\nposition_turns = 10.96"),
    "centre": ("0.021\nposition_turns = 7.5", "0.021\nposition_turns = 6.37"),
}
"""Where an adjustment leaves the trims of the healthy unit: with them it is right as it is found."""


def right(*, but: str = "") -> dict[str, str]:
    """Lines to change in the healthy unit's file so that it is right as found, but for one trim."""
    return dict(lines for trim, lines in RIGHT.items() if trim != but)


@dataclass(frozen=True, slots=True)
class Stand:
    """A bench opened for one test, with everything that a visit needs."""

    bench: Bench
    bench_file: Loaded[BenchFile]
    product: Loaded[Product]
    database: Database
    seed: int

    @property
    def serial(self) -> str:
        serials = self.product.contents.serial
        return serials.with_check_character(f"{serials.example[:2]}2600{self.seed:04d}")

    @property
    def database_url(self) -> str:
        return self.database.url_shown

    def operator(self) -> VirtualOperator:
        assert self.bench.hands is not None
        return VirtualOperator(self.bench.hands, self.bench.clock, self.seed)

    def visit(self, purpose: Purpose = Purpose.ADJUST, operator: Operator | None = None) -> Visit:
        request = Request(self.serial, purpose, "test", seed=self.seed)
        return run_visit(self.bench, self.bench_file, self.product, operator or self.operator(), self.database, request)


def on_the_bench(bench_file: Loaded[BenchFile], unit: str) -> Loaded[BenchFile]:
    """The same bench with a unit described by a file (by name, or anywhere) in place of one that is drawn."""
    virtual = {key: value for key, value in (bench_file.contents.virtual or {}).items() if key != "population"}
    virtual["unit"] = unit if unit.endswith(".toml") else str(FOLDER / "units" / f"{unit}.toml")
    return replace(bench_file, contents=bench_file.contents.model_copy(update={"virtual": virtual}))


def with_virtual(bench_file: Loaded[BenchFile], **changed: object) -> Loaded[BenchFile]:
    """The same bench with other words in its [virtual] table."""
    virtual = {**(bench_file.contents.virtual or {}), **changed}
    return replace(bench_file, contents=bench_file.contents.model_copy(update={"virtual": virtual}))


@contextmanager
def opened_stand(
    tmp_path: Path,
    seed: int = 1,
    fault: str = "",
    product: Loaded[Product] | None = None,
    unit: str = "",
    changed: Mapping[str, str] | None = None,
    source: Mapping[str, float] | None = None,
    link: str = "direct",
    empty_record: Path | None = None,
) -> Iterator[Stand]:
    """``changed`` replaces lines of the unit's file; ``source`` changes the virtual source."""
    made = product or load_product(demonstration_product())
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=seed, fault=fault)
    if changed:
        text = (FOLDER / "units" / f"{unit}.toml").read_text(encoding="utf-8")
        for old, new in changed.items():
            assert old in text
            text = text.replace(old, new)
        unit = str(tmp_path / "unit.toml")
        (tmp_path / "unit.toml").write_text(text, encoding="utf-8")
    if unit:
        bench_file = on_the_bench(bench_file, unit)
    if source:
        present = dict((bench_file.contents.virtual or {}).get("source", {}))
        bench_file = with_virtual(bench_file, source={**present, **source})
    bench_file = with_virtual(bench_file, link=link)
    if empty_record is not None and not (tmp_path / "record.sqlite").exists():
        shutil.copy(empty_record, tmp_path / "record.sqlite")
    absolute = made.contents.range.absolute
    with (
        open_database(f"sqlite:///{tmp_path}/record.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        yield Stand(bench, bench_file, made, database, seed)


@pytest.fixture
def stand(tmp_path: Path, empty_record: Path) -> Callable[..., object]:
    """Open a bench with ``with stand(seed=1, fault="") as it:``."""
    return partial(opened_stand, tmp_path, empty_record=empty_record)


@pytest.fixture(scope="session")
def brief_product(tmp_path_factory: pytest.TempPathFactory) -> Loaded[Product]:
    """The demonstration's product, its warm-up looked at less often and swept over fewer points.

    For statements on what comes after the warm-up, and not on how fine a sweep is.
    """
    text = demonstration_product().read_text(encoding="utf-8")
    for often, seldom in (("interval_s = 10.0", "interval_s = 30.0"), ("points = 17", "points = 9")):
        assert text.count(often) == 1
        text = text.replace(often, seldom)
    path = tmp_path_factory.mktemp("brief") / "product.toml"
    path.write_text(text, encoding="utf-8")
    return load_product(path)


@pytest.fixture
def brief_stand(stand: Callable[..., object], brief_product: Loaded[Product]) -> Callable[..., object]:
    """Open a bench for a brief visit."""
    return partial(stand, product=brief_product)

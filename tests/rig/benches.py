"""Benches with more roles than the demonstration's, written as files and opened."""

from __future__ import annotations

from contextlib import contextmanager

from db.engine import open_database
from drivers.source import VoltageLimits
from fixtures import FOLDER, demonstration_bench, demonstration_product
from rig.bench import load_bench, open_bench
from rig.product import load_product
from tests.made_once import empty_record

from .conftest import Stand

TEXT = demonstration_bench().read_text(encoding="utf-8")
METER = TEXT[TEXT.index("[meter]") : TEXT.index("[counter]")]
CV_METER = METER.replace("[meter]", "[cv_meter]").replace("{meter}", "{cv_meter}")
THERMOMETER = """
[thermometer]
resource = "{thermometer}"
limits_k = 0.3
calibration = { days_ago = 10, due_in_days = 355 }
"""
POPULATION = 'population = "../populations/demo.toml"'


def written(path, *, unit="", more="", virtual="", tables="", changed=()):
    """A bench file at a path: the demonstration's, with more roles, and more in and after its [virtual] table.

    :param unit: name of a unit's file among the fixtures, in place of the population.
    :param changed: pairs of old and new text.
    """
    text = TEXT.replace("[virtual]\n", f"{more}\n[virtual]\n{virtual}\n")
    lies = (
        f'unit = "{FOLDER}/units/{unit}.toml"'
        if unit
        else POPULATION.replace("../populations", f"{FOLDER}/populations")
    )
    text = text.replace(POPULATION, lies) + tables
    for old, new in changed:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return load_bench(path)


@contextmanager
def standing(folder, bench_file, seed=1):
    """The bench of a file opened, with a database in a folder."""
    if not (folder / "record.sqlite").exists():
        (folder / "record.sqlite").write_bytes(empty_record())
    product = load_product(demonstration_product())
    absolute = product.contents.range.absolute
    with (
        open_database(f"sqlite:///{folder}/record.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        yield Stand(bench, bench_file, product, database, seed)

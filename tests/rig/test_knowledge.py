"""What is known of a product's trims before the next unit, and how it is shown."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from math import log2
from typing import TYPE_CHECKING
from uuid import UUID, uuid4

import numpy as np
import pytest
from click.testing import CliRunner

from db.engine import Database, open_database
from db.learning import ObservationRow, add_observation
from db.models import Visit
from db.queries import get_or_add_bench_revision, get_or_add_product_revision, get_or_add_unit
from fixtures import demonstration_product
from rig.cli import app
from rig.errors import FileProblem, WrongInput
from rig.knowledge import KnownTrim, known_trims, learned_trims, units_seen
from rig.product import Product, load_product
from rig.reports.trims import trims_document, trims_lines
from rig.tomlfile import Loaded

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MORNING = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
LOWEST_OCTAVES = log2(32.703)


@pytest.fixture(scope="module")
def product() -> Product:
    return load_product(demonstration_product()).contents


@pytest.fixture
def database(tmp_path: Path, empty_record: Path) -> Iterator[Database]:
    shutil.copyfile(empty_record, tmp_path / "record.sqlite")
    with open_database(f"sqlite:///{tmp_path}/record.sqlite") as opened:
        yield opened


def row(batch: str | None, value: float, minute: float, **other: object) -> ObservationRow:
    values = {
        "unit_id": uuid4(),
        "visit_id": uuid4(),
        "batch_code": batch,
        "oscillator": "",
        "trim": "scale",
        "quantity": "pivot",
        "value": value,
        "standard_uncertainty": 0.05,
        "taken_utc": MORNING + timedelta(minutes=minute),
    }
    return ObservationRow(**values | other)


def batch_of(product: Product, code: str, pivot_octaves: float, count: int, day: int) -> list[ObservationRow]:
    """Pivot and gains of so many units, invented."""
    rng = np.random.default_rng(day)
    rows = []
    for place in range(count):
        minute = 1440.0 * day + 10.0 * place
        unit = {"unit_id": uuid4(), "visit_id": uuid4()}
        rows.append(row(code, pivot_octaves + 0.15 * rng.normal(), minute, **unit))
        for name, trim in product.trims.items():
            gain = trim.effect_per_turn * (1.0 + 0.15 * rng.normal())
            told = {"trim": name, "quantity": "gain", "standard_uncertainty": 0.15 * abs(gain)}
            rows.append(row(code, gain, minute + 1.0, **unit, **told))
    return rows


def test_before_any_unit_the_product_file_is_all_that_is_known(product: Product):
    known = known_trims(product, (), "2601")
    assert set(known) == set(product.trims)
    for name, trim in product.trims.items():
        gain = known[name].knowledge.gain
        assert gain.mean == trim.effect_per_turn
        assert gain.standard_uncertainty == pytest.approx(trim.effect_per_turn_spread)
    pivot = known["scale"].knowledge.pivot
    assert pivot is not None
    assert (pivot.mean, pivot.standard_uncertainty) == pytest.approx((log2(523.25), 4.0))
    assert known["base"].knowledge.pivot is None


def test_ten_units_of_a_batch_tell_the_pivot_of_the_next_to_their_own_scatter(product: Product):
    known = known_trims(product, batch_of(product, "2601", 2.1, 10, day=1), "2601")
    pivot = known["scale"].knowledge.pivot
    assert pivot is not None
    assert pivot.mean == pytest.approx(2.1, abs=0.2)
    assert 0.1 < pivot.standard_uncertainty < 0.3
    gain = known["highs"].knowledge.gain
    assert gain.mean == pytest.approx(4e-7, rel=0.2)
    assert gain.standard_uncertainty < 0.8e-7


def test_another_batch_says_little_of_where_the_pivot_of_a_new_one_lies(product: Product):
    rows = batch_of(product, "2601", 2.1, 12, day=1) + batch_of(product, "2602", 11.0, 12, day=2)
    pivot = known_trims(product, rows, "2603")["scale"].knowledge.pivot
    assert pivot is not None
    assert pivot.standard_uncertainty >= 4.0


def test_the_first_unit_of_a_new_batch_outweighs_all_other_batches(product: Product):
    rows = batch_of(product, "2601", 2.1, 12, day=1) + batch_of(product, "2602", 3.0, 12, day=2)
    rows += batch_of(product, "2603", 12.0, 1, day=3)
    pivot = known_trims(product, rows, "2603")["scale"].knowledge.pivot
    assert pivot is not None
    assert pivot.mean == pytest.approx(12.0, abs=0.5)
    assert pivot.standard_uncertainty < 1.0


def test_one_bad_unit_in_a_batch_does_not_reach_the_next(product: Product):
    good = batch_of(product, "2601", 2.1, 6, day=1)
    bad = row("2601", 14.0, 9000.0)
    without, poisoned = (known_trims(product, rows, "2601")["scale"].knowledge.pivot for rows in (good, [*good, bad]))
    assert without is not None
    assert poisoned is not None
    assert poisoned.mean == pytest.approx(without.mean, abs=0.1)
    assert poisoned.standard_uncertainty < 0.4


def test_units_of_no_known_batch_and_trims_that_are_no_more_teach_nothing(product: Product):
    rows = [row(None, 2.0, 1.0), row("2601", 2.0, 2.0, trim="old_trim")]
    for batch in (None, "2601"):
        assert known_trims(product, rows, batch) == known_trims(product, (), batch)


def test_the_moves_of_one_visit_count_as_one_unit_and_the_last_visit_counts():
    unit, first, last = uuid4(), uuid4(), uuid4()
    rows = [
        row("2601", 9.0, 1.0, unit_id=unit, visit_id=first),
        row("2601", 3.0, 2.0, unit_id=unit, visit_id=last, standard_uncertainty=0.1),
        row("2601", 3.2, 3.0, unit_id=unit, visit_id=last, standard_uncertainty=0.1),
    ]
    (seen,) = units_seen(rows[::-1])
    assert seen.mean == pytest.approx(3.1)
    assert seen.standard_uncertainty == pytest.approx(0.1 / 2**0.5)


def test_the_oscillators_of_a_unit_count_each_by_itself():
    unit, visit = uuid4(), uuid4()
    rows = [row("2601", 3.0, 1.0, unit_id=unit, visit_id=visit, oscillator=name) for name in ("left", "right")]
    assert len(units_seen(rows)) == 2


# --- in the database -------------------------------------------------------------------------------------------------


def begin(database: Database, product: Loaded[Product], serial: str, batch: str, *, demonstration: bool = True) -> UUID:
    with database.session() as session:
        revision = get_or_add_product_revision(
            session, product_name=product.contents.product.name, toml_text=product.text, at_utc=MORNING
        )
        bench = get_or_add_bench_revision(session, bench_name="Bench A", toml_text="", at_utc=MORNING)
        unit = get_or_add_unit(session, serial=serial, product_id=revision.product_id, batch_code=batch)
        visit = Visit(
            unit_id=unit.id,
            product_revision_id=revision.id,
            bench_revision_id=bench.id,
            operator="operator 1",
            purpose="work",
            software_version="0.1.0",
            started_utc=MORNING,
            demonstration=demonstration,
        )
        session.add(visit)
        session.flush()
        add_observation(
            session,
            visit.id,
            trim="scale",
            quantity="pivot",
            value=2.0,
            standard_uncertainty=0.05,
            taken_utc=MORNING,
        )
        return visit.id


def edited(folder: Path, *changes: tuple[str, str]) -> Loaded[Product]:
    text = demonstration_product().read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "edited.toml"
    path.write_text(text, encoding="utf-8")
    return load_product(path)


def units_in_batch(database: Database, product: Loaded[Product], *, demonstration: bool = True) -> int:
    with database.reading() as session:
        known = learned_trims(session, product, "2601", demonstration=demonstration)
    pivot = known["scale"].pivot
    assert pivot is not None
    return len(pivot.batch.good)


def test_what_was_learned_is_found_again_for_the_same_product_and_batch(database: Database):
    product = load_product(demonstration_product())
    begin(database, product, "DM26010001G", "2601")
    assert units_in_batch(database, product) == 1
    assert units_in_batch(database, product, demonstration=False) == 0


def test_a_limit_that_is_edited_forgets_nothing_and_another_trim_starts_anew(database: Database, tmp_path: Path):
    begin(database, load_product(demonstration_product()), "DM26010001G", "2601")
    assert units_in_batch(database, edited(tmp_path, ("base_pitch_cents = 3.0", "base_pitch_cents = 4.0"))) == 1
    assert units_in_batch(database, edited(tmp_path, ("effect_per_turn = 0.004", "effect_per_turn = 0.008"))) == 0
    assert units_in_batch(database, edited(tmp_path, ('revision = "A"', 'revision = "B"'))) == 0


def test_a_product_that_was_never_on_the_bench_is_known_by_its_file(database: Database):
    product = load_product(demonstration_product())
    with database.reading() as session:
        known = learned_trims(session, product, None, demonstration=True)
    assert known == known_trims(product.contents, (), None)


# --- as it is shown --------------------------------------------------------------------------------------------------


@pytest.fixture
def learned(product: Product) -> dict[str, KnownTrim]:
    rows = batch_of(product, "2601", LOWEST_OCTAVES - 3.0, 12, day=1)
    rows += batch_of(product, "2602", LOWEST_OCTAVES + 6.0, 7, day=2)
    rows += [*batch_of(product, "2603", LOWEST_OCTAVES + 1.0, 8, day=3), row("2603", 14.0, 9000.0)]
    return known_trims(product, rows, "2603")


def test_the_report_says_where_each_number_comes_from(product: Product, learned: dict[str, KnownTrim]):
    lines = trims_lines(product, "2603", learned)
    text = "\n".join(lines)
    assert max(len(line) for line in lines) <= 100
    assert "[demonstration]" in lines[0]
    for name, trim in product.trims.items():
        assert f"{trim.label} ({name}): {trim.kind.value}" in text
    # 523.25 Hz is C5 (ISO 16, equal temperament), four octaves above C1 of 32.703 Hz
    assert "product file    +4.0 +- 4.0 octaves (523 Hz, C5)" in text
    assert "1 odd and left aside" in text
    assert "2 batches; a new batch is expected at" in text
    assert "product file    +400 +- 80 ns" in text
    assert "product file    +36.0 +- 7.2 cents" in text


def test_the_report_of_a_product_nobody_has_turned_says_so(product: Product):
    lines = trims_lines(product, None, known_trims(product, (), None))
    assert any(line.endswith("other batches   none yet") for line in lines)
    assert any(line.endswith("this batch      no unit yet") for line in lines)


def test_a_product_of_many_batches_with_long_codes_still_fits(product: Product):
    rows = [each for day in range(9) for each in batch_of(product, f"BATCH-OF-2026-{day:06d}", 5.0 + day, 2, day)]
    lines = trims_lines(product, "X" * 40, known_trims(product, rows, "X" * 40))
    assert max(len(line) for line in lines) <= 100
    assert any("and 3 more" in line for line in lines)


def test_a_pivot_far_from_anything_audible_is_shown_without_a_note(product: Product):
    rows = [row("2601", -30.0 - 0.01 * place, place) for place in range(20)]
    text = "\n".join(trims_lines(product, "2601", known_trims(product, rows, "2601")))
    assert "next unit       -35" in text


def test_plain_data_has_every_number_in_its_own_unit(product: Product, learned: dict[str, KnownTrim]):
    document = json.loads(json.dumps(trims_document(product, "2603", learned, "record.sqlite"), allow_nan=False))
    assert (document["product"], document["batch"], document["database"]) == (
        product.product.name,
        "2603",
        "record.sqlite",
    )
    by_name = {each["trim"]: each for each in document["trims"]}
    pivot = by_name["scale"]["pivot"]
    assert pivot["unit"] == "octaves re 1 Hz"
    assert (pivot["batch"]["units"], pivot["batch"]["odd_units"]) == (9, 1)
    assert pivot["next_unit"]["mean"] == pytest.approx(LOWEST_OCTAVES + 1.0, abs=0.2)
    assert pivot["next_unit_hz"] == pytest.approx(2.0 ** pivot["next_unit"]["mean"])
    assert pivot["next_unit_octaves_above_lowest_note"] == pytest.approx(1.0, abs=0.2)
    assert [each["batch"] for each in pivot["other_batches"]] == ["2602", "2601"]
    assert by_name["highs"]["gain"]["unit"] == "s per turn"
    assert by_name["highs"]["pivot"] is None
    assert by_name["rail"]["gain"]["by_file"] == {"mean": 0.0015, "standard_uncertainty": 0.0003}


def test_a_product_is_asked_for_by_its_file_or_as_the_record_names_it(stand, monkeypatch):
    with stand(seed=1) as it:
        it.visit()
        monkeypatch.setenv("RIG_DATABASE_URL", it.database_url)
    asked = CliRunner()
    by_file = asked.invoke(app, ["trims", str(demonstration_product())])
    assert by_file.exit_code == 0
    assert "from 1 unit" in by_file.output
    for named in ("DEMO", "demo", "Demonstration oscillator (invented)"):
        assert asked.invoke(app, ["trims", named]).output == by_file.output
    with pytest.raises(WrongInput, match=r"'OTHER' is neither .* \(Demonstration oscillator \(invented\)\)"):
        asked.invoke(app, ["trims", "OTHER"], catch_exceptions=False)
    with pytest.raises(FileProblem, match=r"missing\.toml"):
        asked.invoke(app, ["trims", "missing.toml"], catch_exceptions=False)

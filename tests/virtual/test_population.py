from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from drivers.virtual.clock import InstantClock
from drivers.virtual.configuration import SourceConfiguration
from drivers.virtual.errors import WrongDescription
from drivers.virtual.faults import Fault
from drivers.virtual.live_unit import LiveUnit
from drivers.virtual.population import draw, load_population
from drivers.virtual.randomness import stream
from drivers.virtual.truth import Truth
from drivers.virtual.unit import load_unit
from tests.virtual.conftest import POPULATION, UNITS, warm_truth
from tests.virtual.repair import characteristics, trimmed, within_limits

DEMO = load_population(POPULATION)
SERIAL = "DM26010001G"
SEEDS = range(300)


@pytest.fixture(scope="module")
def drawn():
    return [draw(DEMO, seed, SERIAL) for seed in SEEDS]


def test_the_same_seed_and_serial_give_the_same_unit():
    assert draw(DEMO, 5, SERIAL) == draw(DEMO, 5, SERIAL)
    assert draw(DEMO, 5, SERIAL) != draw(DEMO, 6, SERIAL)
    assert draw(DEMO, 5, SERIAL) != draw(DEMO, 5, "DM260100020")


@given(st.integers(0, 2**62), st.integers(1, 9999))
@settings(max_examples=60)
def test_a_unit_without_a_fault_is_repairable_by_construction(seed, running_number):
    truth = warm_truth(draw(DEMO, seed, f"DM2601{running_number:04d}A"))
    best = trimmed(truth)
    for name, trim in best.description.trims.items():
        assert 0.05 * trim.turns <= best.trim_positions_turns[name] <= 0.95 * trim.turns
    assert within_limits(characteristics(best), share=0.8), characteristics(best)


def test_nearly_every_unit_needs_its_trims(drawn):
    good_as_found = [within_limits(characteristics(warm_truth(each))) for each in drawn[:100]]
    assert sum(good_as_found) <= 2


@pytest.mark.parametrize("fault", list(Fault))
def test_no_trim_cures_a_fault(fault):
    for seed in range(60):
        described = draw(DEMO, seed, SERIAL, fault)
        if fault is Fault.DEAD_STAGE:
            dead_output = not described.output.alive
            truth = warm_truth(described)
            pitches = {truth.frequency_hz(cv_v) for cv_v in (0.0, 4.0, 8.0)}
            assert pitches == {0.0} if dead_output else len(pitches) == 1
        elif fault is Fault.SLOW_WARM_UP:
            continue
        else:
            assert not within_limits(characteristics(trimmed(warm_truth(described))), share=1.5)


def test_both_ways_of_being_dead_occur():
    alive = {draw(DEMO, seed, SERIAL, Fault.DEAD_STAGE).output.alive for seed in range(20)}
    assert alive == {True, False}


def test_a_fault_changes_nothing_else_in_the_unit():
    healthy, leaky = draw(DEMO, 3, SERIAL), draw(DEMO, 3, SERIAL, "leakage")
    assert leaky.trims == healthy.trims
    assert leaky.core.model_copy(update={"leakage_hz": healthy.core.leakage_hz}) == healthy.core


def test_no_steeper_scale_or_sharper_top_hides_a_leakage():
    # least worst error over the full range that offset, slope and highs can reach, by linear programming
    cv_v = np.linspace(0.0, 8.0, 65)
    leak = 1200.0 * np.log2(1.0 + (2.0 ** (30.0 / 1200.0) - 1.0) * 2.0**-cv_v)
    shapes = np.column_stack([np.ones_like(cv_v), cv_v, 2.0 ** (cv_v - 8.0)])
    worst = np.ones((len(cv_v), 1))
    solved = linprog(
        [0.0, 0.0, 0.0, 1.0],
        A_ub=np.vstack([np.hstack([shapes, -worst]), np.hstack([-shapes, -worst])]),
        b_ub=np.concatenate([-leak, leak]),
        # highs error within 6 cents (the demonstration product's limit)
        bounds=[(None, None), (None, None), (-6.0, 6.0), (0.0, None)],
    )
    assert solved.fun > 6.0


def test_pivots_lie_below_inside_and_above_the_played_range(drawn):
    octaves = np.array([math.log2(each.core.pivot_hz / 32.703) for each in drawn])
    shares = [float(np.mean(each)) for each in (octaves < 0.0, (octaves >= 0.0) & (octaves <= 8.0), octaves > 8.0)]
    # binomial spread of a share near 0.3 in 300 draws is 0.027
    assert shares == pytest.approx([0.4, 0.3, 0.3], abs=0.1)
    assert octaves.min() > -6.5
    assert octaves.max() < 12.5


def test_units_of_a_batch_share_its_pivot_and_batches_do_not():
    def pivot_octaves(serial: str) -> float:
        return math.log2(draw(DEMO, 1, serial).core.pivot_hz)

    one_batch = [pivot_octaves(f"DM2601{number:04d}A") for number in range(1, 61)]
    assert np.std(one_batch) == pytest.approx(0.15, rel=0.4)
    batches = [pivot_octaves(f"DM{batch:04d}0001A") for batch in range(60)]
    assert np.std(batches) > 2.0


def test_a_serial_without_a_batch_belongs_to_the_batch_of_its_seed():
    assert DEMO.batch_of("DM26010001G", 4) == "2601"
    assert DEMO.batch_of("no number", 4) == "seed 4"


def test_errors_scatter_as_the_population_says(drawn):
    scale_cents = np.array([1200.0 * each.core.scale_error for each in drawn])
    base_cents = np.array([1200.0 * math.log2(each.core.base_hz / 32.703) for each in drawn])
    rails = np.array([each.rail.error for each in drawn])
    # the reach of the trims cuts a little off the tails
    assert scale_cents.std() == pytest.approx(12.0, rel=0.15)
    assert base_cents.std() == pytest.approx(60.0, rel=0.15)
    assert rails.std() == pytest.approx(0.004, rel=0.2)


def test_droop_at_the_top_is_between_five_and_forty_cents(drawn):
    top_hz = 32.703 * 256.0
    for each in drawn:
        dead_cents = 1200.0 * math.log2(1.0 + each.core.dead_time_s * top_hz)
        bulk_cents = 1200.0 * each.core.bulk_per_hz * top_hz / math.log(2.0)
        assert 5.0 - 1e-6 <= dead_cents + bulk_cents <= 40.0 + 1e-6


def drift_at(described, minutes: float) -> float:
    """Faster of the drifts at both ends after so many minutes of power, in a steady room."""
    unit = LiveUnit(described, InstantClock(), stream(1, "wander"))
    unit.power(on=True)
    truth = Truth(unit.state, minutes * 60.0, SourceConfiguration(), 1.0)
    return max(abs(truth.drift_cents_per_minute(cv_v)) for cv_v in (0.0, 8.0))


def test_a_healthy_unit_is_warm_after_about_ten_minutes(drawn):
    # common practice: ten minutes of warm-up
    for each in drawn[:100]:
        assert drift_at(each, 1.0) > 0.1
        assert drift_at(each, 14.0) < 0.15
    assert np.median([drift_at(each, 10.0) for each in drawn[:100]]) < 0.1


def test_a_slow_unit_still_drifts_after_an_hour(drawn):
    for seed in range(60):
        described = draw(DEMO, seed, SERIAL, Fault.SLOW_WARM_UP)
        assert drift_at(described, 60.0) > 1.0
        assert drift_at(described, 60.0) < 4.0


@pytest.mark.parametrize("path", sorted(UNITS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_unit_file_can_be_read_and_says_that_it_is_invented(path):
    assert path.read_text().startswith("# INVENTED")
    assert load_unit(path).invented


@pytest.mark.parametrize("name", ["healthy", "pivot_above"])
def test_the_healthy_unit_files_are_repairable(name):
    assert within_limits(characteristics(trimmed(warm_truth(load_unit(UNITS / f"{name}.toml")))), share=0.8)


@pytest.mark.parametrize("name", ["scale_out_of_travel", "octave_resistor", "leakage"])
def test_the_faulty_unit_files_are_not(name):
    assert not within_limits(characteristics(trimmed(warm_truth(load_unit(UNITS / f"{name}.toml")))), share=1.5)


def test_a_fault_that_nobody_knows_is_refused():
    with pytest.raises(ValueError, match="sticky knob"):
        draw(DEMO, 1, SERIAL, "sticky knob")


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("below_share = 0.4", "below_share = 0.5", "pivots is .*must add up to 1, not 1.1"),
        ("below_share = 0.4", 'below_share = "many"', "pivots.below_share is 'many'"),
        ("below_share = 0.4", "", "pivots.below_share is missing"),
        ("below_share", "below_shares", "pivots.below_share.* is (missing|not a field)"),
        ("low = 5.0, high = 40.0", "low = 50.0, high = 40.0", "low \\(50.0\\) must not exceed high"),
        ("(?P<batch>[0-9]{4})[0-9]{4}", "([0-9]{4}", "batch_pattern .* not a regular expression"),
        ("(?P<batch>[0-9]{4})[0-9]{4}", "[0-9]{4}", "batch_pattern .* needs a group named batch"),
        ('kind = "highs"', 'kind = "lows"', "trims.highs.kind is 'lows'"),
        ('kind = "highs"', 'kind = "base"', "each kind of trim may stand in a population once"),
        ("invented = true", "invented = false", "invented is False"),
        ("lowest_note_hz = 32.703", "lowest_note_hz = nan", "range.lowest_note_hz is nan"),
        ("[law]", "[law", "not valid TOML"),
    ],
)
def test_a_wrong_field_of_a_population_is_named_in_one_sentence(tmp_path, old, new, sentence):
    text = POPULATION.read_text()
    assert old in text
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text.replace(old, new, 1))
    with pytest.raises(WrongDescription, match=sentence) as caught:
        load_population(wrong)
    assert "\n" not in str(caught.value)
    assert str(wrong) in str(caught.value)


@pytest.mark.parametrize("content", [None, b"\xff\xfe", b"x" * 2_000_000])
def test_a_file_that_is_none_is_refused_in_one_sentence(tmp_path, content):
    path = tmp_path / "unit.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(WrongDescription, match=r"unit\.toml") as caught:
        load_unit(path)
    assert "\n" not in str(caught.value)

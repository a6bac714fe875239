"""The study of manual chasing against the rig on a handful of units: which way it points, no figures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.benchmarks.study.bench import place, serials
from tests.benchmarks.study.report import group_of, mean_moves, minutes, of, report, share_good
from tests.benchmarks.study.trials import BatchTask, Method, Trial, run_batch, skilled

HANDFUL = BatchTask(seed=1, batch=12, units=3, taught_by=1)


@pytest.fixture(scope="module")
def trials() -> list[Trial]:
    return run_batch(HANDFUL)


def test_every_method_has_the_same_units(trials: list[Trial]):
    with place(1) as here:
        expected = serials(here.product, HANDFUL.batch, HANDFUL.units)
    for method in Method:
        assert [each.serial for each in of(trials, method)] == expected


def test_the_units_are_drawn_the_same_for_every_method(trials: list[Trial]):
    for method in Method:
        assert [each.score.pivot_octaves for each in of(trials, method)] == [
            each.score.pivot_octaves for each in of(trials, Method.COLD)
        ]


def test_the_chase_converges_with_the_pivot_below_and_takes_the_most_moves(trials: list[Trial]):
    practised, skilled, taught = (of(trials, each) for each in (Method.PRACTISED, Method.SKILLED, Method.LEARNED))
    assert {group_of(each) for each in practised} == {"below"}
    assert share_good(practised) == 1.0
    assert mean_moves(practised, "scale") > mean_moves(skilled, "scale") > mean_moves(taught, "scale")
    assert mean_moves(practised, "highs") > mean_moves(taught, "highs")


def test_the_rig_needs_less_of_the_bench_than_the_chase(trials: list[Trial]):
    assert minutes(of(trials, Method.LEARNED)) < minutes(of(trials, Method.PRACTISED))


def test_a_rig_that_has_learned_makes_no_more_moves_than_a_cold_one(trials: list[Trial]):
    assert mean_moves(of(trials, Method.LEARNED), "scale") <= mean_moves(of(trials, Method.COLD), "scale")


def test_what_the_rig_leaves_is_inside_every_limit(trials: list[Trial]):
    for method in (Method.COLD, Method.LEARNED):
        assert [each.score.outside for each in of(trials, method)] == [()] * HANDFUL.units


def test_the_same_seed_gives_the_same_study_to_the_last_digit(trials: list[Trial]):
    one = replace(HANDFUL, units=1)
    again = run_batch(one)
    assert {each.method for each in again} == set(Method)
    for method in Method:
        # a skilled hand has had the units that come after those of the study: of one unit these are others
        first = skilled(one) if method is Method.SKILLED else of(trials, method)[:1]
        assert [repr(each) for each in of(again, method)] == [repr(each) for each in first]


def test_the_report_names_every_figure(trials: list[Trial]):
    text = report(trials)
    assert "pivot below the played range: 3 units" in text
    assert text.count("reached") == 14

"""What a budget costs. ``pytest tests/benchmarks/test_budget_cost.py -n 0 --benchmark-enable`` times it (goal: 2 ms).

A budget is one finding's, made from the sweep and combined; the sweep's preparation for all of them stands beside it.
"""

import numpy as np
import pytest

from rig.assess import assess_sweep
from rig.budgets import stated_of, sweep_budgets
from rig.control_budgets import rail_budget
from rig.reports.budget import budget_lines
from tests.benchmarks import coverage as figure

LINE = figure.line_of(figure.STATED)


@pytest.fixture(scope="module")
def sweep():
    generator = np.random.default_rng(12)
    points = figure.points_of(figure.read(figure.draw_units(1, generator), generator)[0])
    assessed = assess_sweep(points, figure.PRODUCT, figure.BENCH, LINE)
    return assessed, points, figure.PRODUCT, figure.STATED, LINE


@pytest.mark.benchmark(group="budget")
@pytest.mark.parametrize("finding", ["scale_error", "highs_error", "worst"])
def test_a_budget_of_a_sweep_is_made_and_combined(benchmark, sweep, finding):
    made = getattr(sweep_budgets(*sweep), finding)
    assert benchmark(lambda: made().combine()).expanded_uncertainty > 0.0


@pytest.mark.benchmark(group="budget")
def test_a_budget_of_base_pitch_is_made_and_combined(benchmark, sweep):
    budgets = sweep_budgets(*sweep)
    assert benchmark(lambda: budgets.base_pitch(0.5).combine()).expanded_uncertainty > 0.0


@pytest.mark.benchmark(group="budget")
def test_a_budget_of_the_rail_with_five_readings_is_made_and_combined(benchmark):
    stated = stated_of(figure.BENCH, 10.0, figure.DAY)
    assert benchmark(lambda: rail_budget(10.0002, 3e-4, 5, stated).combine()).expanded_uncertainty > 0.0


@pytest.mark.benchmark(group="sweep")
def test_a_sweep_is_prepared_for_its_budgets(benchmark, sweep):
    assert benchmark(sweep_budgets, *sweep).levels.shape == (17, 21)


@pytest.mark.benchmark(group="table")
def test_a_budget_is_put_into_a_table(benchmark, sweep):
    budget = sweep_budgets(*sweep).scale_error()
    assert len(benchmark(budget_lines, budget)) > 5

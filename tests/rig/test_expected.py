"""What a recommendation says will remain, to a person who is about to turn trims by hand."""

from dataclasses import replace

import pytest

from fixtures import FOLDER
from rig.product import Product, load_product
from rig.recommend import Advice, Recommendation
from rig.reports.screen import expected_lines


@pytest.fixture
def product() -> Product:
    return load_product(FOLDER / "products" / "demo.toml").contents


def _turned(trim: str) -> Advice:
    return Advice(trim, trim.upper(), "clockwise", 1.0, 0.1, 440.0, "Hz", 10.0, "cents", 3.0, "the CV held at 3.00 V")


def _left(product: Product, doubt_cents: float, *trims: str) -> str:
    advice = tuple(_turned(trim) for trim in trims)
    return "\n".join(expected_lines(Recommendation(advice, (), 0.02, doubt_cents, ()), product))


def test_where_the_pivot_is_not_known_no_hundredth_of_a_cent_is_promised(product: Product):
    said = _left(product, 52.2, "scale", "highs", "base")
    assert "0.02" not in said
    assert "together may leave some 52 cents" in said
    assert "Turn SCALE alone and measure again before the others" in said


def test_a_scale_trim_that_is_turned_alone_has_no_others_to_wait_for(product: Product):
    said = _left(product, 9.4, "scale")
    assert "this target may leave some 9 cents" in said
    assert "others" not in said


def test_where_no_pivot_is_in_it_the_sweep_is_what_is_in_doubt(product: Product):
    said = _left(product, 2.4, "highs", "base")
    assert "pivot" not in said
    assert "this sweep knows that to 2.4 cents only" in said


def test_what_is_well_known_is_expected_with_its_uncertainty(product: Product):
    said = _left(product, 0.11, "scale", "base")
    assert said == "  Expected then: 0.02 cents worst over the musical range, standard uncertainty 0.11."


@pytest.mark.parametrize(
    ("turns", "said"), [(0.04, "less than 0.1 turns"), (-0.06, "about 0.1 turns"), (-3.84, "about 3.8 turns")]
)
def test_a_turn_is_never_one_of_no_turns(turns: float, said: str):
    asked = replace(_turned("highs"), turns=turns)
    assert f"clockwise, {said}, until 440.000 Hz" in asked.sentence()

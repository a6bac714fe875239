"""What the change of a returned unit is taken for: drawn from the physics of each part."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from db.bench_history import CheckRow
from fixtures import demonstration_product
from rig.bench_suspect import _stood
from rig.product import load_product
from rig.returns import Changed, _named, _sentence
from rig.science.change import Part, State, suspect
from rig.science.reference import Standing
from rig.suspects import BENCH, CORE, CV_CENTS, CV_PATH, RAIL, SLOPE, UNKNOWN, ordinary_changes, parts_of

if TYPE_CHECKING:
    from rig.science.change import Suspicion

PRODUCT = load_product(demonstration_product()).contents
PARTS = parts_of(PRODUCT)
ORDINARY = ordinary_changes(PRODUCT, 0.0)
NAMES = tuple(ORDINARY)
MEASURED = {
    CORE: 0.14,
    SLOPE: 0.06,
    "leakage": 4.0,
    "dead time": 3.0,
    RAIL: 0.0027,
    "knob centre": 11.0,
    "drift low": 0.03,
    "drift high": 0.03,
    "noise": 0.2,
}
"""Standard uncertainties of a change between two visits, as on the demonstration bench; 0.1 for steps and knob."""
DOUBT = np.array([MEASURED.get(name, 0.1) for name in NAMES])
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


def moved(generator: np.random.Generator | None = None, **terms: float) -> State:
    """A change of some terms, with ordinary life and measurement on top where a generator is given."""
    values = np.array([terms.get(name.replace(" ", "_"), 0.0) for name in NAMES])
    if generator is not None:
        # a rate of drift is bounded by its limit, not spread over it
        usual = np.array([0.0 if name.startswith("drift") else ORDINARY[name] for name in NAMES])
        values = values + generator.normal(0.0, np.hypot(usual, DOUBT))
    return State(NAMES, values, np.diag(DOUBT**2))


def weighed(changed: State, *more: Part) -> Suspicion:
    return suspect(changed, [*PARTS, *more], ORDINARY, UNKNOWN)


def told(changed: State, *more: Part, two_benches: bool = False) -> tuple[str, float, Suspicion]:
    """Name and probability of the first suspect as a person is told it."""
    seen = weighed(changed, *more)
    named = _named(seen, changed, two_benches=two_benches)
    return (named[0].suspect, named[0].probability, seen) if named else ("", 0.0, seen)


def scale(difference: float, uncertainty: float, *, inside: bool) -> Changed:
    error = difference / np.hypot(uncertainty, uncertainty)
    return Changed("scale_error", "cents/octave", 0.0, uncertainty, difference, uncertainty, error, inside=inside)


def test_a_scale_that_moved_without_the_octave_steps_points_before_the_converter():
    """Octave switch and knob join behind the CV input: only what lies before it moves the scale alone."""
    for cents in (1.5, 1.9, 2.1, 2.3, 3.0, 5.0, -2.0):
        name, probability, seen = told(moved(slope=cents))
        assert name == CV_PATH
        assert probability > 0.8
        assert seen.nothing_probability < 0.1


def test_four_in_five_of_the_parts_that_changed_are_named_and_the_probability_said_is_kept():
    """Drawn with ordinary life on top: the CV's way, the scale and the rail are told from each other."""
    generator = np.random.default_rng(11)
    by_name = {part.name: part for part in PARTS}
    right, said, tried = 0, [], 0
    for name, least in ((CV_PATH, 1.5), ("scale", 1.5), ("rail", 0.05)):
        part = by_name[name]
        own = part.shape[RAIL if name == "rail" else SLOPE]
        for _ in range(60):
            amount = float(generator.normal())
            if abs(amount * own) < least:
                continue
            # base goes along with the scale about an unknown pivot
            shape = {**part.shape, **{term: generator.normal() * size for term, size in part.also.items()}}
            terms = {term.replace(" ", "_"): amount * size for term, size in shape.items()}
            found, probability, _ = told(moved(generator, **terms))
            tried += 1
            said.append(probability)
            right += found == name
    assert tried > 80
    assert right > 0.8 * tried
    assert right > (np.mean(said) - 0.05) * tried


def test_a_sound_unit_is_seldom_blamed():
    # where one in five were blamed, 100 units would come to 90 once in 400 times (binomial)
    generator = np.random.default_rng(12)
    sound = [weighed(moved(generator)).nothing_probability for _ in range(100)]
    assert np.mean(np.array(sound) > 0.5) > 0.9


@pytest.mark.parametrize("term", [name for name in NAMES if not name.startswith("drift")])
def test_one_term_that_moved_far_is_never_called_nothing(term: str):
    """Eight times what ordinary life and the measurement do to it together, and everything else stood still."""
    size = 8.0 * float(np.hypot(ORDINARY[term], DOUBT[NAMES.index(term)]))
    assert weighed(moved(**{term.replace(" ", "_"): size})).nothing_probability < 0.05


def test_what_moved_and_is_outside_its_limits_is_said_and_not_called_unchanged():
    changed = moved(slope=0.3)
    seen = weighed(changed)
    assert seen.nothing_probability > 0.5
    named = _named(seen, changed, two_benches=False)
    sentence = _sentence(seen, named, [scale(0.3, 0.05, inside=False)], changed, inside=False)
    assert "moved and is outside its limits: +0.3 cents/octave of scale error" in sentence
    assert "No single part explains" in sentence
    assert "othing has changed" not in sentence
    still = _sentence(seen, named, [scale(0.01, 0.05, inside=False)], changed, inside=False)
    assert "Nothing has changed that points to a part" in still


def test_a_part_whose_own_term_stood_still_is_not_named_in_a_pair():
    """A rail that reads as before is innocent, whatever would fit with it."""
    generator = np.random.default_rng(13)
    for cents in (1.0, 2.1, 2.3, 6.0):
        changed = moved(generator, slope=cents)
        place = NAMES.index(RAIL)
        still = replace(changed, values=np.where(np.arange(len(NAMES)) == place, 2e-5, changed.values))
        assert not any("rail" in each.suspect for each in _named(weighed(still), still, two_benches=False))


def test_both_parts_of_a_pair_are_named_where_both_have_changed():
    changed = moved(slope=3.0, core_pitch=0.1, leakage=150.0, **steps_of("leakage", 0.5))
    assert set(told(changed)[0].split(" and ")) == {CV_PATH, "leakage"}


def steps_of(part: str, amount: float) -> dict[str, float]:
    """What a part leaves in steps and knob."""
    shape = next(each.shape for each in PARTS if each.name == part)
    return {term.replace(" ", "_"): amount * size for term, size in shape.items() if term.startswith(("step", "knob"))}


def test_two_benches_without_a_reference_unit_are_as_likely_as_the_units_own_cv_input():
    bench = Part(BENCH, {SLOPE: CV_CENTS}, also={CORE: 0.1, RAIL: 0.003})
    for cents in (2.0, 2.5, 3.0):
        changed = moved(slope=cents)
        seen = weighed(changed, bench)
        named = _named(seen, changed, two_benches=True)
        sentence = _sentence(seen, named, [scale(cents, 0.05, inside=False)], changed, inside=False)
        assert {each.suspect for each in named[:2]} == {BENCH, CV_PATH}
        assert "measure the reference unit on both benches" in sentence
        assert "look for damage" not in sentence


def test_a_reference_unit_that_reads_otherwise_on_the_two_benches_accuses_them():
    differing = Part(BENCH, {}, also={SLOPE: 0.1, CORE: 0.2}, offset={SLOPE: 2.4, CORE: 0.0})
    name, probability, _ = told(moved(slope=2.3), differing, two_benches=True)
    assert name == BENCH
    assert probability > 0.8


def test_a_reference_unit_that_reads_alike_on_both_benches_acquits_them():
    alike = Part(BENCH, {}, also={SLOPE: 0.1, CORE: 0.2}, offset={SLOPE: 0.01, CORE: 0.0})
    name, probability, _ = told(moved(slope=2.3), alike, two_benches=True)
    assert name == CV_PATH
    assert probability > 0.8


def check(days: float, value: float) -> CheckRow:
    return CheckRow(
        AT + timedelta(days=days), "scale_error", "Scale error", value, "", 0.08, None, Standing.STEADY.value, ""
    )


def test_between_two_checks_that_differ_a_bench_may_have_stood_anywhere():
    """A rectangle between both readings: its width over the root of 12 (GUM, 4.3.7)."""
    stood = _stood([check(-1.0, 0.0), check(1.0, -3.0)], AT)
    assert stood is not None
    assert stood.value == pytest.approx(-1.5)
    assert stood.standard_uncertainty == pytest.approx(np.hypot(0.04, 3.0 / np.sqrt(12.0)))
    one_sided = _stood([check(-1.0, -0.2)], AT)
    assert one_sided is not None
    assert one_sided.value == -0.2
    assert _stood([check(-60.0, 0.0), check(60.0, 0.0)], AT) is None

"""What the live watch says, before it reaches any terminal."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from rig.operators.glyphs import ASCII, BLOCKS, glyphs_for, large_letters, letters
from rig.operators.live_line import View, amount, bar, distance_shown, plain_line, progress_line, watch_lines
from rig.operators.port import Seen, Turn, WatchReading
from rig.operators.screen import Screen
from rig.operators.tone import Tone, beat_s
from rig.operators.verdict_sign import verdict_lines
from rig.operators.watch_screen import WatchScreen
from rig.science.conformity import Decision

TURN = Turn("scale", "SCALE", "8242.593 Hz (C9 -27.0 cents)", "the CV held at 8.00 V", -2.0, 4.0)
DISTANCES = st.floats(-5000.0, 5000.0)


@dataclass
class Edge:
    """A watch whose readings lie inside, too near the edge to be sure of it."""

    unit: str = "cents"
    tolerance: float = 0.5

    def read(self, *, turning=False):
        return view(0.45, seen=Seen.INSIDE).reading


def view(distance, *, start=40.0, uncertainty=0.05, unit="cents", tolerance=0.5, seen=Seen.NEARER, keys="s stop"):
    reading = WatchReading("8242.593 Hz", 8242.593, distance, uncertainty, seen)
    return View(TURN, unit, tolerance, reading, start, keys)


@given(DISTANCES | st.just(nan), st.integers(10, 140), st.integers(1, 50), st.sampled_from([BLOCKS, ASCII]))
def test_nothing_is_wider_or_higher_than_the_terminal(distance, width, height, glyphs):
    lines = watch_lines(
        view(distance, keys="right/left fine, up/down coarse, e end stop, k skip"), width, height, glyphs
    )
    assert len(lines) <= height
    assert all(line.cell_len <= width for line in lines)


def test_a_word_says_on_which_side_the_reading_is():
    # distance is target minus reading
    assert distance_shown(12.34, 0.05, "cents").side == "too low"
    assert distance_shown(-12.34, 0.05, "cents").side == "too high"
    assert distance_shown(-0.0001, 0.05, "cents").side == ""


@pytest.mark.parametrize(
    ("uncertainty", "number", "doubt"), [(0.01, "12.35", "0.02"), (0.05, "12.3", "0.1"), (1.5, "12", "3.0")]
)
def test_no_more_digits_are_shown_than_the_uncertainty_leaves_sense_in(uncertainty, number, doubt):
    shown = distance_shown(12.3456, uncertainty, "cents")
    assert shown.number == number
    # JCGM 100, 6.2.1: expanded uncertainty with coverage factor 2
    assert shown.doubt == doubt


def test_the_rail_is_shown_in_millivolts():
    shown = distance_shown(-0.0123, 0.00005, "V")
    assert (shown.number, shown.unit, shown.side, shown.doubt) == ("12.3", "mV", "too high", "0.1")


@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII])
def test_the_bar_is_finer_near_the_target(glyphs):
    def length(distance):
        return bar(distance, 0.5, 0.0, 101, glyphs).count(glyphs.fill)

    near, far = length(2.0) - length(1.0), length(102.0) - length(101.0)
    assert near >= 4
    assert far == 0
    assert length(0.1) == 1


@given(DISTANCES.filter(lambda each: abs(each) > 1.0), st.integers(20, 120))
def test_the_bar_lies_left_of_the_gate_when_the_reading_is_too_low(distance, width):
    drawn = bar(distance, 0.5, 0.0, width, ASCII)
    low, _, rest = drawn.partition("[")
    _, _, high = rest.partition("]")
    assert ("#" in low) == (distance > 0.0)
    assert ("#" in high) == (distance < 0.0)
    assert len(low) == len(high)


def test_the_uncertainty_is_drawn_on_the_bar():
    assert "~" not in bar(5.0, 0.5, 0.0, 80, ASCII)
    assert bar(5.0, 0.5, 3.0, 80, ASCII).count("~") > bar(5.0, 0.5, 0.5, 80, ASCII).count("~") > 0


def test_past_the_target_the_way_is_back():
    assert "counter-clockwise" in plain_line(view(40.0), ASCII)
    assert "> clockwise" in plain_line(view(-3.0), ASCII)
    assert "hold still" in plain_line(view(0.3, seen=Seen.INSIDE), ASCII)


def test_a_single_reading_inside_is_not_said_to_be_inside_before_the_watch_says_so():
    assert "hold still" not in plain_line(view(0.3, seen=Seen.NEARER), ASCII)
    # and who is inside, but too near the edge to be sure of it, is shown the way to the middle
    edge = replace(view(0.45, seen=Seen.INSIDE), lingers=True)
    assert "counter-clockwise, a touch" in plain_line(edge, ASCII)
    assert "a little nearer to the middle" in plain_line(edge, ASCII)


def test_who_stays_at_the_edge_is_shown_the_way_to_the_middle_after_a_while():
    written, clock = io.StringIO(), [0.0]
    screen = Screen(Console(file=written, width=140), lost=pytest.fail)
    edge = view(0.45, seen=Seen.INSIDE)
    watch = WatchScreen(screen, TURN, Edge(), "s stop", lambda: clock[0])
    for clock[0] in (0.0, 1.5, 4.5):
        watch.show(edge.reading)
    first, second, last = (line for line in written.getvalue().splitlines() if "SCALE at" in line)
    assert "hold still" in first
    assert "hold still" in second
    assert "a little nearer to the middle" in last
    assert "clockwise" in last


def test_who_asks_again_past_the_target_is_still_sent_back_to_it():
    written, clock = io.StringIO(), [0.0]
    screen = Screen(Console(file=written, width=140), lost=pytest.fail)
    watch = WatchScreen(screen, TURN, Edge(), "s stop", lambda: clock[0])
    for clock[0], distance in ((0.0, 40.0), (1.5, 10.0), (3.0, -12.0)):
        watch.show(view(distance).reading)
    watch.again()
    for clock[0] in (3.2, 6.0):
        watch.show(view(-12.0, seen=Seen.STILL).reading)
    before, asked, later = [line for line in written.getvalue().splitlines() if "SCALE at" in line][2:]
    # the turn began 40 cents too low and was to be two turns counter-clockwise: 12 cents too far are half a turn back
    for line in (before, asked, later):
        assert "» clockwise, half a turn" in line
    assert "once more from here" in asked


def watched(turns_known, *moments):
    """The last line that a bench says, whose readings lie at these distances at these times."""
    written, clock = io.StringIO(), [0.0]
    screen = Screen(Console(file=written, width=160), lost=pytest.fail)
    watch = WatchScreen(screen, TURN, Edge(), "s stop", lambda: clock[0], turns_known=turns_known)
    for clock[0], distance in moments:
        watch.show(view(distance, seen=Seen.STILL).reading)
    return [line for line in written.getvalue().splitlines() if "SCALE at" in line][-1]


def test_where_nobody_counts_the_turns_a_reading_that_stands_still_may_be_an_end_stop_or_another_trim():
    said = "Not moving. If you turn: it is at its end (e), or it is another trim."
    still = [(0.0, 40.0), (3.0, 40.1), (6.5, 39.9)]
    assert said in watched(False, *still)
    assert said not in watched(False, *still[:2])
    # where the turns are known, turning in vain is seen by itself, and a hand at rest is left in peace
    assert said not in watched(True, *still)
    # a slow hand moves the reading all the same, and the last touch may take its time
    assert said not in watched(False, (0.0, 40.0), (3.0, 39.0), (6.5, 38.0), (9.0, 37.0))
    assert said not in watched(False, (0.0, 1.2), (3.0, 1.2), (6.5, 1.2))
    # a cable that came out has its own words
    assert said not in watched(False, (0.0, nan), (3.0, nan), (6.5, nan))


def test_turns_left_shrink_with_the_distance():
    assert view(40.0).turns_left == pytest.approx(-2.0)
    assert view(10.0).turns_left == pytest.approx(-0.5)
    assert view(-5.0).turns_left == pytest.approx(0.25)
    # from beside the target the rough number says nothing
    assert view(0.4, start=0.6).turns_left is None


def test_turns_are_said_as_at_a_bench():
    said = [amount(each) for each in (0.01, 0.03, 0.12, -0.25, 0.5, 0.9, 2.3, -11.0)]
    assert said == [
        "a hair", "a touch", "an eighth", "a quarter turn", "half a turn", "about 1 turn", "about 2.5 turns",
        "about 11 turns",
    ]  # fmt: skip


def test_without_a_signal_there_is_no_number_to_chase():
    text = "\n".join(line.plain for line in watch_lines(view(nan, seen=Seen.NO_SIGNAL), 80, 24, BLOCKS))
    assert "--" in text
    assert "cable out or unit off" in text


def test_a_terminal_without_blocks_gets_ascii():
    assert glyphs_for("utf-8") is BLOCKS
    assert glyphs_for("ascii") is ASCII
    assert glyphs_for("latin-1") is ASCII
    assert glyphs_for("no such encoding") is ASCII
    for distance in (40.0, 0.1, nan):
        assert "\n".join(line.plain for line in watch_lines(view(distance), 80, 24, ASCII)).isascii()


def test_block_letters_keep_their_dots():
    rows = letters("1.0", BLOCKS)
    assert len(rows) == 3
    assert len(letters("1.0", ASCII)) == 5
    dots = sum(row.count("█") * 2 + row.count("▀") + row.count("▄") for row in rows)
    assert dots == sum(row.count("#") for row in letters("1.0", ASCII))
    assert letters("Ω", BLOCKS) == ("Ω",)


@pytest.mark.parametrize("decision", list(Decision))
@pytest.mark.parametrize("width", [10, 39, 79, 119])
@pytest.mark.parametrize("glyphs", [BLOCKS, ASCII])
def test_a_verdict_stands_in_words_and_its_sign_fits(decision, width, glyphs):
    lines = verdict_lines("DM26010001G", decision, "", ["the rail resistor"], width, glyphs)
    words = [line.plain for line in lines]
    assert f"DM26010001G: {decision.value.upper()}" in words
    assert "Likely cause: the rail resistor" in words
    drawn = [line for line in words if set(line) & set("█▀▄#")]
    assert all(len(line) <= width for line in drawn)
    if width >= 39:
        assert drawn
    if decision is Decision.PASS and width >= 39:
        assert drawn == list(large_letters("PASS", glyphs))


def test_progress_fits_and_fills():
    for width in (12, 40, 120):
        assert progress_line("as-found sweep", 7, 20, width, ASCII).cell_len <= width
    half = progress_line("sweep", 10, 20, 80, ASCII).plain
    assert half.count("#") == half.count(".")


def test_beats_quicken_towards_the_target_and_fall_silent_inside():
    beats = [beat_s(distance) for distance in (1000.0, 100.0, 30.0, 5.0, 2.0, 1.01)]
    assert all(one is not None for one in beats)
    assert beats == sorted(beats, reverse=True)
    assert beats[0] == beats[1] == pytest.approx(1.2)
    assert [beat_s(each) for each in (1.0, -0.2, 0.0, nan, inf)] == [None] * 5
    assert beat_s(-5.0) == beat_s(5.0)


def test_the_tone_is_off_by_default_and_keeps_its_rhythm():
    rung = []
    tone = Tone(lambda: rung.append(True))
    tone.follow(50.0, 0.0)
    assert not rung
    tone.on = True
    for tick in range(100):
        tone.follow(100.0, 0.1 * tick)
    # ten seconds at a beat every 1.2 s
    assert len(rung) == 9

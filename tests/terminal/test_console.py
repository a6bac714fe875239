"""The console in a real pseudo-terminal: the live watch, prompts, and every way in which it can end."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time

import pytest

from tests.terminal.terminal import ROOT, Terminal

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

APPROACH = ["-40", "-30", "-20", "-10", "-5", "-2", "-1", "-0.6", "-0.3", "-0.2"]
ENDLESS = ["-40"]
COLOUR = re.compile(rb"\x1b\[[0-9;]*3[0-7]")
PROMPT = "Put unit DM26010001G on the bench"


def words(terminal):
    return " ".join(terminal.text.split())


@pytest.mark.parametrize(("columns", "rows"), [(40, 24), (120, 40)])
def test_a_move_ends_by_itself_when_the_reading_stays_inside(columns, rows):
    with Terminal.start("turn", *APPROACH, columns=columns, rows=rows) as terminal:
        terminal.until("cents too high ± 0.1")
        terminal.until("««« counter-clockwise, about 2.0 turns")
        assert "8242.593 Hz (C9 -27.0 cents)" in terminal.text
        terminal.until("hold still")
        assert terminal.end() == 0
        assert "Stop, that is it. Hands away." in terminal.text
        assert "ended: REACHED" in terminal.text
        assert "terminal: as before" in terminal.text
        assert COLOUR.search(terminal.raw)


def test_without_colour_nothing_is_lost_but_colour():
    with Terminal.start("turn", *APPROACH, NO_COLOR="1") as terminal:
        assert terminal.end() == 0
        assert not COLOUR.search(terminal.raw)
        # nor is there a tone that nobody asked for
        assert b"\a" not in terminal.raw
        assert "Stop, that is it." in terminal.text


def test_a_terminal_that_changes_its_size_during_the_watch_is_drawn_anew():
    with Terminal.start("turn", *ENDLESS, columns=120, rows=30) as terminal:
        terminal.until("low")
        for columns, rows in ((40, 24), (100, 12), (34, 6), (80, 24)):
            terminal.resize(columns, rows)
            terminal.watch(0.15)
            drawn = words(terminal)
            assert drawn.count("counter-clockwise, about 2.0") == 1, terminal.text
            assert drawn.count("too high") == 1, terminal.text
        terminal.press("s")
        assert terminal.end() == 4


def test_a_terminal_without_cursor_control_gets_plain_lines():
    with Terminal.start("turn", *APPROACH, TERM="dumb") as terminal:
        assert terminal.end() == 0
        assert b"\x1b" not in terminal.raw
        readings = [line for line in terminal.text.splitlines() if line.strip().startswith("SCALE at") and "  " in line]
        # half a second of readings at thirty a second
        assert 1 <= len(readings) <= 5
        assert "Stop, that is it." in terminal.text


def test_output_that_is_no_terminal_gets_plain_lines_and_no_control():
    outcome = subprocess.run(
        [sys.executable, "-m", "tests.terminal.programs", "turn", *APPROACH],
        cwd=ROOT, capture_output=True, stdin=subprocess.DEVNULL, timeout=30, check=True,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert b"\x1b" not in outcome.stdout
    assert b"\r" not in outcome.stdout.replace(b"\r\n", b"\n")
    assert b"ended: REACHED" in outcome.stdout


def test_an_ascii_terminal_gets_ascii():
    with Terminal.start("turn", *APPROACH, PYTHONIOENCODING="ascii") as terminal:
        terminal.until("cents too high +- 0.1")
        assert terminal.end() == 0
        assert bytes(terminal.raw).isascii()


def test_the_rail_is_watched_in_millivolts_and_a_lost_signal_is_said():
    with Terminal.start("turn_volts", "-0.05", "-0.05", "nan", "nan", "nan", "nan", "-0.02", "0.001") as terminal:
        terminal.until("mV too high")
        terminal.until("no signal: cable out or unit off")
        assert terminal.end() == 0
        assert "SCALE at 9.9990 V, 1.0 mV too low ± 0.4" in terminal.text


def test_the_end_stop_is_told_by_one_key_and_confirmed_by_another():
    with Terminal.start("turn", *ENDLESS) as terminal:
        terminal.until("e end stop")
        terminal.press("e")
        terminal.until("Is the tool in SCALE, and SCALE at its end? e again, it is a goes on")
        assert "ended" not in terminal.said
        # pressed by mistake: the move goes on
        terminal.press("a")
        terminal.until(lambda it: "««« counter-clockwise" in it.text)
        terminal.press("e", "e")
        assert terminal.end() == 0
        assert "ended: END_STOP" in terminal.text


def test_a_trim_is_skipped_with_a_reason_and_without_typing():
    with Terminal.start("skip") as terminal:
        terminal.until("k skip")
        terminal.press("k")
        terminal.until("why?")
        terminal.press("a", "k", "2")
        assert terminal.end() == 0
        assert "kept: ['damaged or loose']" in terminal.text
        assert "ended: SKIPPED" in terminal.text


def test_a_scan_while_turning_is_set_aside_and_its_letters_are_no_keys():
    with Terminal.start("turn", *ENDLESS) as terminal:
        terminal.until("k skip")
        terminal.scan("skeds1234")
        terminal.until("skeds1234 was scanned: finish this unit first")
        # a slow wireless scanner, and one without a line end
        terminal.scan("DMske26s1", gap_s=0.05)
        terminal.until("DMske26s1 was scanned: finish this unit first")
        terminal.scan("sked4321", end="")
        terminal.until("sked4321 was scanned: finish this unit first")
        assert terminal.child.isalive()
        terminal.press("s")
        assert terminal.end() == 4
        assert "stopped: The operator stopped the visit." in terminal.text


def test_the_tone_rings_only_when_asked_for():
    with Terminal.start("turn_with_tone", *APPROACH) as terminal:
        terminal.end()
        assert 2 <= terminal.raw.count(b"\a") <= 8


def test_a_slow_signal_is_shown_at_every_reading():
    with Terminal.start("turn_slowly", "-40", "-30", "-20") as terminal:
        terminal.until("about 1.5 turns")
        terminal.until("about 1 turn")
        terminal.press("e", "e")
        assert terminal.end() == 0


def test_prompts_take_one_key_each_and_none_that_came_before_them():
    with Terminal.start("prompts") as terminal:
        terminal.until("Read the cautions")
        # two Enters in one go: the second came before the next question was asked
        terminal.child.send("\r\r")
        terminal.watch(0.3)
        assert words(terminal).count("s stops") == 2
        assert PROMPT in words(terminal)
        for expected in ("Meter lead to", "Set octave to 2", "Check lead and power"):
            terminal.press("\r")
            terminal.until(expected)
        terminal.press("d")
        terminal.until("Enter if you are sure")
        # the unit is not blamed without a second key
        assert "dead:" not in terminal.said
        terminal.press("\r", "\r")
        assert terminal.end() == 0
        assert "dead: True" in terminal.text
        assert "through" in terminal.text


def test_the_label_of_the_unit_scanned_again_says_yes_to_every_question():
    double_scan_s = 1.0
    with Terminal.start("prompts_after_a_scan", str(double_scan_s), columns=120) as terminal:
        for asked in ("Read the cautions", "Put unit", "Meter lead to", "Set octave to 0", "Close the case"):
            terminal.until(asked)
            terminal.until("Enter or scan the unit again when done")
            terminal.watch(double_scan_s + 0.3)
            terminal.scan("DM26010001G")
            # a label that is read twice in one go answers one question
            terminal.watch(0.3)
            terminal.scan("DM26010001G")
        terminal.until("Enter or scan the unit again goes on without")
        for _ in range(2):
            terminal.watch(double_scan_s + 0.3)
            terminal.scan("DM26010001G")
        assert terminal.end() == 0
        assert "on your word" in terminal.text
        assert "through" in terminal.text
        assert "finish this unit first" not in terminal.said


def test_without_a_scanned_unit_nobody_is_told_to_scan_it_again():
    with Terminal.start("prompts") as terminal:
        terminal.until("Enter when done")
        terminal.press("s")
        assert terminal.end() == 4
        assert "scan the unit again" not in terminal.said


def test_why_a_unit_is_back_takes_one_key_and_a_few_words():
    with Terminal.start("returned") as terminal:
        terminal.until("Why is DM26010001G back?")
        terminal.press("9")
        terminal.watch(1.0)  # a key that means nothing here is taken before the next one comes, on a busy machine too
        terminal.press("2")
        terminal.until("What does its owner say?")
        for letter in "sharpp":
            terminal.press(letter)
        terminal.press("\x7f")
        terminal.until("> sharp")
        terminal.press("\r")
        terminal.until("told: drifts / sharp")
        assert terminal.end() == 0


def test_again_says_it_again_and_s_stops_at_any_prompt_unless_it_is_typed_in_a_serial():
    with Terminal.start("prompts") as terminal:
        terminal.until("Read the cautions")
        terminal.press("a")
        terminal.until(lambda it: words(it).count("Read the cautions") == 2)
        terminal.press("D", "M", "s", "1")
        assert terminal.child.isalive()
        terminal.watch(0.9)
        terminal.press("s")
        assert terminal.end() == 4


def test_a_control_is_seen_and_the_visit_goes_on_by_itself():
    with Terminal.start("control") as terminal:
        terminal.until("octave went to 3: one back")
        assert terminal.end() == 0
        assert terminal.said.count("octave stands at 0") == 1
        assert "octave stands at 2" in terminal.text


def test_what_the_rig_does_not_see_is_overridden_only_by_a_second_enter():
    with Terminal.start("blind_control") as terminal:
        terminal.until("no signal")
        terminal.press("\r")
        terminal.until("Enter once more")
        assert terminal.child.isalive()
        terminal.press("\r")
        assert terminal.end() == 0
        assert "on your word" in terminal.text


def test_a_stage_shows_how_far_it_is_and_sets_scans_aside():
    with Terminal.start("sweep") as terminal:
        terminal.until("as-found sweep")
        terminal.scan("DM26010002E", end="\r\n")
        terminal.press("\r")
        terminal.until("as-found sweep: done")
        assert "DM26010002E was scanned: finish this unit first" in words(terminal)
        terminal.until("Meter lead to")
        # the Enter pressed during the sweep is no answer to the question after it
        terminal.watch(0.3)
        assert terminal.child.isalive()
        terminal.press("\r")
        assert terminal.end() == 0


def test_s_stops_a_stage_that_asks_nothing():
    with Terminal.start("sweep") as terminal:
        terminal.until("as-found sweep")
        terminal.press("s")
        assert terminal.end() == 4


def test_ctrl_c_gives_the_terminal_back():
    with Terminal.start("turn", *ENDLESS) as terminal:
        terminal.until("k skip")
        terminal.child.send("\x03")
        assert terminal.end() == 130
        assert "terminal: as before" in terminal.text


def test_a_request_to_end_stops_the_visit_and_gives_the_terminal_back():
    with Terminal.start("prompts") as terminal:
        terminal.until("Read the cautions")
        os.kill(terminal.child.pid, signal.SIGTERM)
        assert terminal.end() == 4
        assert "stopped: The program was asked to end" in terminal.text
        assert "terminal: as before" in terminal.text


def test_suspending_gives_the_terminal_back_and_going_on_takes_it_again():
    with Terminal.start("turn", *ENDLESS) as terminal:
        terminal.until("k skip")
        terminal.child.send("\x1a")
        terminal.watch(0.3)
        assert terminal.child.getecho()
        os.kill(terminal.child.pid, signal.SIGCONT)
        terminal.until(lambda it: not it.child.getecho())
        terminal.press("e", "e")
        assert terminal.end() == 0


@pytest.mark.parametrize("program", ["turn", "prompts", "sweep", "control"])
def test_a_closed_terminal_stops_the_visit(program, tmp_path):
    note = tmp_path / "ended"
    with Terminal.start("noted", str(note), program, *ENDLESS) as terminal:
        terminal.until("s stop") if program != "sweep" else terminal.until("as-found")
        terminal.hang_up()
        ended = wait_for(note)
    assert ended.startswith("Stopped: ")


def wait_for(note):
    for _ in range(200):
        if note.exists() and note.read_text():
            return note.read_text()
        time.sleep(0.05)
    raise AssertionError("the program never noticed that its terminal was closed")


def test_a_file_in_place_of_a_keyboard_answers_line_by_line():
    outcome = subprocess.run(
        [sys.executable, "-m", "tests.terminal.programs", "prompts"],
        cwd=ROOT, capture_output=True, text=True, input="\n\n\n\n\n\n", timeout=30, check=True,
    )  # fmt: skip
    assert "dead: False" in outcome.stdout
    assert outcome.stdout.rstrip().endswith("through")


def test_input_that_ends_stops_the_visit_at_the_next_question():
    outcome = subprocess.run(
        [sys.executable, "-m", "tests.terminal.programs", "prompts"],
        cwd=ROOT, capture_output=True, text=True, input="\n", timeout=30, check=False,
    )  # fmt: skip
    assert outcome.returncode == 4
    assert "stopped: Nobody answers at the terminal" in outcome.stdout

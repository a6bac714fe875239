"""Bytes of a terminal, and of a Windows console, as strokes; strokes as presses and bursts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.operators.desk import Burst, Gathering, Lines, Press
from rig.operators.keys import Key, LineInput, NoInput, StrokeDecoder, WindowsKeyboard, open_keyboard

# ECMA-48 8.3.19-8.3.22: CSI A to CSI D; the same after SS3 in a terminal's application mode
ARROWS = [("A", Key.UP), ("B", Key.DOWN), ("C", Key.RIGHT), ("D", Key.LEFT)]


@pytest.mark.parametrize(("final", "key"), ARROWS)
@pytest.mark.parametrize("introducer", ["\x1b[", "\x1bO", "\x1b[1;5"])
def test_an_arrow_key_is_one_stroke_however_its_sequence_is_torn_apart(final, key, introducer):
    data = (introducer + final).encode()
    for place in range(len(data) + 1):
        decoder = StrokeDecoder()
        assert decoder.feed(data[:place]) + decoder.feed(data[place:]) == [key]
        assert not decoder.waiting


@given(st.lists(st.sampled_from(["s", "é", "\x1b[A", "\x1b[15~", "\x1bs", "\r\n", "\r", "\x7f"])), st.data())
def test_pieces_of_any_size_give_the_same_strokes(sent, data):
    whole = "".join(sent).encode()
    places = sorted(data.draw(st.lists(st.integers(0, len(whole)))))
    decoder, strokes = StrokeDecoder(), []
    for begin, end in zip([0, *places], [*places, len(whole)], strict=True):
        strokes += decoder.feed(whole[begin:end])
    assert strokes == StrokeDecoder().feed(whole)


def test_no_letter_of_an_unknown_sequence_is_taken_for_a_key():
    decoder = StrokeDecoder()
    # function keys, mouse reports, a letter with Alt held: all have letters that mean something here
    assert decoder.feed(b"\x1b[15~\x1b[s\x1b[<0;3;4M\x1bs\x1bOS") == []
    assert decoder.feed(b"k") == ["k"]


def test_an_escape_that_nothing_follows_is_the_key():
    decoder = StrokeDecoder()
    assert decoder.feed(b"\x1b") == []
    assert decoder.waiting
    assert decoder.quiet() == [Key.ESCAPE]
    assert decoder.feed(b"s") == ["s"]


def test_the_ends_that_scanners_send_are_one_enter_each():
    # common practice: CR, LF or CR LF
    for end in (b"\r", b"\n", b"\r\n"):
        assert StrokeDecoder().feed(b"A" + end + b"B" + end) == ["A", Key.ENTER, "B", Key.ENTER]
    decoder = StrokeDecoder()
    assert decoder.feed(b"\r") + decoder.feed(b"\n") == [Key.ENTER]


class ScriptedConsole:
    """Keys of a Windows console: arrows as a prefix and a scan code, as its documentation says."""

    def __init__(self, keys: str) -> None:
        self.keys = list(keys)

    def kbhit(self) -> bool:
        return bool(self.keys)

    def getwch(self) -> str:
        return self.keys.pop(0)


def test_a_windows_console_gives_the_same_strokes():
    interrupts: list[bool] = []
    keys = "s\xe0H\x00P\xe0M\xe0K\xe0Gk\r\x1b\x03é\x1a"
    keyboard = WindowsKeyboard(ScriptedConsole(keys), lambda: interrupts.append(True))
    assert keyboard.strokes(0.0) == [
        "s", Key.UP, Key.DOWN, Key.RIGHT, Key.LEFT, "k", Key.ENTER, Key.ESCAPE, "é", Key.END,
    ]  # fmt: skip
    assert interrupts == [True]
    assert keyboard.strokes(0.02) == []
    keyboard.wake()
    assert keyboard.strokes(None) == []


def test_where_there_is_no_input_nobody_is_waited_for(tmp_path):
    assert open_keyboard(None).strokes(None) is None
    assert isinstance(open_keyboard(None), NoInput)
    lines = tmp_path / "scans.txt"
    lines.write_text("DM26010001G\n\ns\n")
    with lines.open() as stream:
        keyboard = open_keyboard(stream)
        assert isinstance(keyboard, LineInput)
        keyboard.start()
        assert keyboard.strokes(1.0) == [*"DM26010001G", Key.ENTER, Key.ENTER, "s", Key.ENTER]
        assert keyboard.strokes(1.0) is None
        keyboard.stop()


def events_of(gathering, strokes, *, quiet=True):
    events = [event for stroke in strokes for event in gathering.feed(stroke, 1.0)]
    return events + (gathering.quiet(2.0) if quiet else [])


@given(st.text("skade0123DMS", min_size=2, max_size=20).filter(lambda text: len(set(text)) > 1))
def test_no_letter_of_a_burst_is_a_key_press(text):
    for end, ended in (([Key.ENTER], True), ([Key.TAB], True), ([], False)):
        events = events_of(Gathering(), [*text, *end])
        assert events == [Burst(text, events[0].at_s, ended)]


def test_a_key_alone_is_a_press_and_a_key_held_down_as_well():
    assert events_of(Gathering(), ["s"]) == [Press("s", 2.0)]
    assert events_of(Gathering(), ["e"] * 12) == [Press("e", 2.0)]
    assert events_of(Gathering(), ["s", Key.ENTER]) == [Press("s", 1.0), Press(Key.ENTER, 1.0)]


def test_arrows_are_presses_at_once_however_fast_they_repeat():
    assert events_of(Gathering(), [Key.LEFT] * 5, quiet=False) == [Press(Key.LEFT, 1.0)] * 5


def test_a_second_line_end_right_after_a_scan_belongs_to_it():
    gathering = Gathering()
    assert len(events_of(gathering, [*"DM26", Key.ENTER, Key.ENTER], quiet=False)) == 1
    gathering.quiet(2.0)
    assert gathering.feed(Key.ENTER, 3.0) == [Press(Key.ENTER, 3.0)]


def test_lines_of_a_file_are_scans_keys_and_enters():
    strokes = [*"DM26010001G", Key.ENTER, Key.ENTER, "k", Key.ENTER, *"DM26010002E"]
    assert events_of(Lines(), strokes) == [
        Burst("DM26010001G", 1.0, True), Press(Key.ENTER, 1.0), Press("k", 1.0), Burst("DM26010002E", 2.0, True),
    ]  # fmt: skip

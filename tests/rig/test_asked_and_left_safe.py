"""A source is asked, or left, only as it is wired; what cannot be confirmed stays owed, and is said.

The source stands on a link of its own; the meter and the counter of its bench are never there.
"""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import asdict, replace

import pytest
from click.exceptions import Exit
from click.testing import CliRunner

from drivers.session import Session
from drivers.source import VoltageLimits
from drivers.virtual.links.sockets import SocketLink
from rig.bench import load_bench, open_bench
from rig.bench_check import Asked, Unasked, check_bench
from rig.bench_hold import debt_of
from rig.bench_lock import Holder
from rig.bench_profile import BenchProfile, load_profile, profile_path
from rig.cli import app
from rig.errors import BenchProblem, StillOwed
from rig.opening import INTERRUPTED, Ending, ending_in_a_sentence
from rig.owed import SafetyNote, do_what_is_owed, is_owed, places
from tests.drivers.odd_source import OddSource, Output
from tests.rig.benches import TEXT, written

LIMITS = VoltageLimits(-0.5, 8.5)


@pytest.fixture(autouse=True)
def _own_state(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


@contextmanager
def on_the_bench(folder, *habits, channel=None, outputs=None):
    """A source with these habits, and the bench file that names it."""
    source = OddSource(frozenset(habits))
    source.outputs.update(outputs or {})
    link = SocketLink(source)
    try:
        yield source, bench_file(folder / "bench.toml", link.resource, channel)
    finally:
        link.close()


def bench_file(path, resource, channel):
    """A bench of instruments that are not in this program; the profile that stands beside it stays."""
    text = TEXT[: TEXT.index("[virtual]")]
    named = "" if channel is None else f"channel = {channel}\n"
    text = text.replace('resource = "{source}"', f'resource = "{resource}"\ntimeout_s = 0.4\n{named}')
    for port, role in enumerate(("meter", "counter"), start=1):
        text = text.replace(f'"{{{role}}}"', f'"TCPIP::127.0.0.1::{port}::SOCKET"\ntimeout_s = 0.4')
    path.write_text(text, encoding="utf-8")
    return path


def asked(path):
    """What came of asking the source of a bench file."""
    return check_bench(load_bench(path), lambda _each: None).instruments[0]


def typed(*arguments):
    return CliRunner().invoke(app, [str(each) for each in arguments])


# Which channel is meant


def test_a_channel_that_was_never_asked_is_not_driven_and_not_taken_for_safe(tmp_path):
    with on_the_bench(tmp_path, channel=2, outputs={2: Output(7.7, on=True)}) as (source, path):
        with pytest.raises(BenchProblem) as caught, open_bench(load_bench(path), LIMITS):
            pass
        assert str(caught.value) == f"The source's channel 2 was never asked: rig bench check {path}"
        safe = typed("bench", "safe", path)
        assert isinstance(safe.exception, StillOwed)
        assert f"the source's channel 2 was never asked: rig bench check {path}" in str(safe.exception)
        assert "switch its output off by hand now" in str(safe.exception)
    assert source.received == []


def test_a_source_whose_profile_cannot_be_used_is_not_taken_for_safe(tmp_path):
    with on_the_bench(tmp_path, outputs={1: Output(7.7, on=True)}) as (source, path):
        profile_path(path).write_text("[source", encoding="utf-8")
        safe = typed("bench", "safe", path)
        assert isinstance(safe.exception, StillOwed)
        assert "its output may be on: switch it off by hand now" in str(safe.exception)
        assert "is not valid TOML" in str(safe.exception)
    assert source.received == []


def test_the_wired_channel_is_the_one_that_is_made_safe_once_it_was_asked(tmp_path):
    with on_the_bench(tmp_path, "listed", channel=2, outputs={2: Output(7.7, on=True)}) as (source, path):
        assert asked(path).findings.fills
        assert load_profile(path).source.channel == 2
        source.outputs[2] = Output(7.7, on=True)
        assert typed("bench", "safe", path).exit_code == 0
        assert source.outputs[2] == replace(Output(), amperes=0.5)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        (2, 1, "The source's channel 1 was never asked: rig bench check "),
        (None, 2, "The source's channel 2 was never asked: rig bench check "),
        (1, None, "The source was asked for its channel 1, and the bench file names none: rig bench check "),
    ],
)
def test_a_profile_is_that_of_one_channel(tmp_path, before, after, told):
    with on_the_bench(tmp_path, *(["listed"] if before else []), channel=before) as (source, path):
        asked(path)
        resource = load_profile(path).source.resource
        bench_file(path, resource, after)
        heard = len(source.received)
        with pytest.raises(BenchProblem, match=told), open_bench(load_bench(path), LIMITS):
            pass
        safe = typed("bench", "safe", path)
        assert told in str(safe.exception)
        assert "off by hand now, before you touch the unit" in str(safe.exception)
        assert len(source.received) == heard


def test_a_profile_from_before_channels_were_kept_counts_only_where_none_is_named(tmp_path):
    with on_the_bench(tmp_path, "listed", channel=2) as (_source, path):
        asked(path)
        profile = profile_path(path)
        text = profile.read_text(encoding="utf-8")
        assert "channel = 2\n" in text
        profile.write_text(text.replace("channel = 2\n", ""), encoding="utf-8")
        with pytest.raises(BenchProblem, match="channel 2 was never asked"), open_bench(load_bench(path), LIMITS):
            pass


def test_a_meter_or_a_counter_on_a_channel_that_was_never_asked_is_not_read(tmp_path):
    for role in ("meter", "counter"):
        file = written(tmp_path / "bench.toml", changed=[(f'"{{{role}}}"', f'"{{{role}}}"\nchannel = 3')])
        told = f"The {role}'s channel 3 was never asked"
        with pytest.raises(BenchProblem, match=told), open_bench(file, LIMITS):
            pass


# What is owed while a source is asked


def test_a_source_that_does_not_go_off_stays_owed(tmp_path):
    with on_the_bench(tmp_path, "sticks") as (source, path):
        found = asked(path)
        assert isinstance(found, Asked)
        assert source.outputs[1].on
        assert any("Its output may be on: switch it off by hand now" in each for each in found.findings.missing)
        assert is_owed(path)
        with pytest.raises(StillOwed, match="says that it is on at 0 V"):
            do_what_is_owed(path)


def test_what_takes_no_command_of_a_source_owes_nothing(tmp_path):
    with on_the_bench(tmp_path, "listed") as (source, path):
        # whatever it is told, it has no such header
        source._of_an_output = lambda _header, _argument: "?"
        found = asked(path)
        assert not found.findings.fills
        assert not is_owed(path)


def test_a_source_that_is_lost_as_it_goes_on_is_said_and_stays_owed(tmp_path):
    with on_the_bench(tmp_path, "dies") as (source, path):
        found = asked(path)
        assert isinstance(found, Unasked)
        assert source.outputs[1].on
        assert "its output may be on: switch it off by hand now, before you touch the unit" in found.problem
        assert found.problem.endswith(f"rig bench safe {path} --by-hand")
        assert is_owed(path)


def test_a_source_that_hangs_up_once_is_made_safe_over_a_new_link(tmp_path):
    with on_the_bench(tmp_path, "dies") as (source, path):
        switch = source._switch

        def hangs_up_once(output, *, on):
            try:
                switch(output, on=on)
            finally:
                source._dead = False

        source._switch = hangs_up_once
        found = asked(path)
        assert isinstance(found, Unasked)
        assert found.problem.endswith("; it was brought to 0 V with its output off after that")
        assert not source.outputs[1].on
        assert not is_owed(path)


@pytest.mark.parametrize("channel", [None, 2])
def test_a_kill_before_anything_is_known_of_a_channel_leaves_a_note_that_does_not_guess(tmp_path, channel):
    with on_the_bench(tmp_path, channel=channel, outputs={2: Output(7.7, on=True)}) as (_source, path):
        loaded = load_bench(path)
        with Session.open(loaded.contents.source.resource, role="source") as session:
            debt = debt_of(session.resource, loaded, BenchProfile(), session.identity)
        SafetyNote(path, debt).give()
        if channel is None:
            assert do_what_is_owed(path).endswith("it is at 0 V with its output off now.")
            return
        with pytest.raises(StillOwed, match="the source's channel 2 was never asked"):
            do_what_is_owed(path)
        assert is_owed(path)


def test_when_the_output_goes_on_the_note_says_how_this_channel_goes_off(tmp_path):
    with on_the_bench(tmp_path, "listed", channel=2) as (source, path):
        notes = []
        switch = source._switch

        def noted(output, *, on):
            if on:
                notes.append(json.loads(places(path)[0].read_text(encoding="utf-8"))["debt"])
            switch(output, on=on)

        source._switch = noted
        assert asked(path).findings.fills
        assert not is_owed(path)
    spelled = notes[0]["dialect"]
    assert (spelled["off"], spelled["set_voltage"]) == ("OUTP OFF,(@2)", "SOUR:VOLT {voltage},(@2)")
    assert spelled["output_state"] == "OUTP? (@2)"
    assert notes[0]["channel_never_asked"] is None


def test_a_note_from_before_channels_were_noted_is_still_done(tmp_path):
    with on_the_bench(tmp_path, outputs={1: Output(5.0, on=True)}) as (source, path):
        loaded = load_bench(path)
        debt = debt_of(loaded.contents.source.resource, loaded, BenchProfile(), None)
        SafetyNote(path, debt).give()
        note = places(path)[0]
        older = json.loads(note.read_text(encoding="utf-8"))
        del older["debt"]["channel_never_asked"]
        note.write_text(json.dumps(older), encoding="utf-8")
        assert "is at 0 V with its output off now" in do_what_is_owed(path)
        assert not source.outputs[1].on


def test_every_source_that_was_left_on_is_made_safe_before_visits_are_listed(tmp_path, monkeypatch):
    monkeypatch.setenv("RIG_DATABASE_URL", f"sqlite:///{tmp_path}/record.sqlite")
    with on_the_bench(tmp_path, outputs={1: Output(5.0, on=True)}) as (source, path):
        loaded = load_bench(path)
        debt = debt_of(loaded.contents.source.resource, loaded, BenchProfile(), None)
        SafetyNote(path, debt).give()
        held = tmp_path / "state" / "trimrig" / "locks" / "address-1.holder.json"
        held.parent.mkdir(parents=True)
        held.write_text(json.dumps(asdict(Holder.here(path))), encoding="utf-8")
        outcome = typed("visits")
        assert "ended without leave: it is at 0 V with its output off now." in outcome.stderr
        assert outcome.stdout == "No visit lies open.\n"
        assert (source.outputs[1].on, source.outputs[1].volts) == (False, 0.0)
        assert typed("visits").stderr == ""


# Whoever stops it


def stops(*_arguments):
    raise KeyboardInterrupt


def test_a_check_of_the_bench_that_is_stopped_leaves_the_source_safe_and_says_so(tmp_path, monkeypatch):
    with on_the_bench(tmp_path, outputs={1: Output(7.7, on=True)}) as (source, path):
        monkeypatch.setattr("rig.bench_check.ask_source", stops)
        stopped = typed("bench", "check", path)
        assert stopped.exit_code == INTERRUPTED
        assert "it is at 0 V with its output off now" in stopped.output
        assert not source.outputs[1].on
        assert source.outputs[1].volts == 0.0
        assert not is_owed(path)


def test_stopping_twice_does_not_call_a_source_safe_that_was_not_made_so(tmp_path, capsys):
    with on_the_bench(tmp_path) as (source, path):
        loaded = load_bench(path)
        with Session.open(loaded.contents.source.resource, role="source", timeout_s=0.4) as session:
            note = SafetyNote(path, debt_of(session.resource, loaded, BenchProfile(), session.identity))
        note.give()
        source.habits = frozenset({"sticks"})
        source.execute("OUTP ON")
        with pytest.raises(Exit), ending_in_a_sentence(path):
            stops()
        said = capsys.readouterr().err
        assert source.outputs[1].on
        assert "switch its output off by hand now" in said
        assert "the source is at 0 V" not in said


def test_a_stop_before_the_source_was_reached_says_nothing_of_where_it_stands(tmp_path, capsys):
    with pytest.raises(Exit), ending_in_a_sentence(tmp_path / "bench.toml"):
        stops()
    assert capsys.readouterr().err == "Stopped before anything was measured: nothing is owed on this bench.\n"


def test_a_stop_after_the_source_was_reached_says_that_it_is_at_0_v(tmp_path, capsys):
    ending = Ending()
    ending.source_reached()
    with pytest.raises(Exit), ending_in_a_sentence(tmp_path / "bench.toml", ending):
        stops()
    assert "the source is at 0 V with its output off" in capsys.readouterr().err

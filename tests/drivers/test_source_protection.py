"""What bounds a source is set and confirmed before its output goes on; a protection that trips is told at once."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.dialect import SourceDialect
from drivers.errors import InstrumentError, NotConfined, ProtectionTripped, ReadBackDiffers
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.virtual.bench import parse, start
from tests.drivers.instruments import on_the_wire

FIXTURES = Path(__file__).parents[2] / "fixtures"
NO_ERROR = '0,"No error";'
BOUNDED = SourceDialect(
    range="SOUR:VOLT:RANG {range}",
    range_query="SOUR:VOLT:RANG?",
    current_limit="SOUR:CURR {current}",
    current_limit_query="SOUR:CURR?",
    voltage_protection="SOUR:VOLT:PROT {voltage}",
    voltage_protection_query="SOUR:VOLT:PROT?",
    voltage_protection_tripped="SOUR:VOLT:PROT:TRIP?",
    clear_protection="SOUR:VOLT:PROT:CLE",
)
LIMITS = VoltageLimits(-0.5, 8.5)
SAFE: list[tuple[str, str | bytes | None]] = [
    ("OUTP OFF;:SOUR:VOLT 0;:SYST:ERR?;*ESE 3;*ESE?", NO_ERROR + "3"),
    ("*ESE 4;:SOUR:VOLT?;*ESE?", "0.0;4"),
    ("*ESE 5;:OUTP?;*ESE?", "0;5"),
]
CONFINED: list[tuple[str, str | bytes | None]] = [
    ("*ESE 6;:SOUR:VOLT:PROT:TRIP?;*ESE?", "0;6"),
    ("SOUR:VOLT:RANG 8.5;:SYST:ERR?;*ESE 7;*ESE?", NO_ERROR + "7"),
    ("*ESE 8;:SOUR:VOLT:RANG?;*ESE?", "10.0;8"),
    ("SOUR:CURR 0.02;:SYST:ERR?;*ESE 9;*ESE?", NO_ERROR + "9"),
    ("*ESE 10;:SOUR:CURR?;*ESE?", "0.02;10"),
    # common practice: a tenth above what is ever put out
    ("SOUR:VOLT:PROT 9.35;:SYST:ERR?;*ESE 11;*ESE?", NO_ERROR + "11"),
]


def again_safe(first: int) -> list[tuple[str, str | bytes | None]]:
    return [
        (f"OUTP OFF;:SOUR:VOLT 0;:SYST:ERR?;*ESE {first};*ESE?", f"{NO_ERROR}{first}"),
        (f"*ESE {first + 1};:SOUR:VOLT?;*ESE?", f"0.0;{first + 1}"),
        (f"*ESE {first + 2};:OUTP?;*ESE?", f"0;{first + 2}"),
    ]


def test_range_current_and_protection_are_set_and_confirmed_before_the_output_goes_on():
    script = [
        *SAFE,
        *CONFINED,
        ("*ESE 12;:SOUR:VOLT:PROT?;*ESE?", "9.35;12"),
        ("OUTP ON;:SYST:ERR?;*ESE 13;*ESE?", NO_ERROR + "13"),
        *again_safe(14),
    ]
    with (
        on_the_wire(script) as resource,
        Source(Session.open(resource, role="source"), LIMITS, BOUNDED) as source,
    ):
        source.confine(0.02)
        source.output_on()


@pytest.mark.parametrize(
    ("answer", "told"),
    [
        ("60.0;12", "was told a voltage protection of 9.35 V and says that it is 60 V"),
        ("0.0;12", "says that it is 0 V"),
    ],
)
def test_a_protection_that_was_not_taken_keeps_the_output_off(answer, told):
    script = [*SAFE, *CONFINED, ("*ESE 12;:SOUR:VOLT:PROT?;*ESE?", answer), *again_safe(13)]
    with (
        on_the_wire(script) as resource,
        Source(Session.open(resource, role="source"), LIMITS, BOUNDED) as source,
    ):
        with pytest.raises(ReadBackDiffers, match=told):
            source.confine(0.02)
        # on_the_wire would complain of any message that is not listed
        with pytest.raises(
            NotConfined, match="stays off: its range and voltage protection have to be set and confirmed"
        ):
            source.output_on()


def test_a_source_whose_current_limit_is_not_known_is_refused_where_one_is_wanted():
    script = [*SAFE, *again_safe(6)]
    with (
        on_the_wire(script) as resource,
        Source(Session.open(resource, role="source"), LIMITS) as source,
        pytest.raises(NotConfined, match=r"0\.02 A at most, and no way to limit its current is known"),
    ):
        source.confine(0.02)


@contextmanager
def virtual(personality="standard", dialect=BOUNDED):
    table = {
        "clock": "instant",
        "unit": str(FIXTURES / "units" / "healthy.toml"),
        "source": {"personality": personality},
    }
    with start(parse(table, FIXTURES)) as bench:
        bench.hands.insert("0001")
        bench.hands.power(True)
        session = Session.open(bench.resources["source"], role="source")
        with Source(session, LIMITS, dialect) as source:
            source.confine()
            source.output_on()
            source.set_voltage(3.0)
            bench.clock.sleep(0.5)
            yield bench, source


def test_a_protection_that_trips_is_told_with_the_next_reading_and_costs_no_message():
    with virtual() as (bench, source):
        before = source.session.messages
        assert source.read_back() == pytest.approx(3.0, abs=0.01)
        assert source.session.messages - before == 1
        bench.source.trip()
        with pytest.raises(
            ProtectionTripped, match=r"Source at .* has tripped its voltage protection: look for a short"
        ):
            source.read_back()


def test_an_output_that_went_off_by_itself_is_recognised_without_a_word_from_the_protection():
    silent = replace(BOUNDED, voltage_protection_tripped="", clear_protection="")
    with virtual(dialect=silent) as (bench, source):
        bench.source.trip()
        bench.clock.sleep(0.5)
        with pytest.raises(ProtectionTripped, match="has switched its output off by itself"):
            source.check(3.0, 0.05)
        source.make_safe()
        source.require_untripped()


def test_a_protection_that_tripped_earlier_is_let_go_at_0_v_before_the_next_work():
    with virtual() as (bench, source):
        bench.source.trip()
        source.make_safe()
        with pytest.raises(InstrumentError, match="protection has tripped"):
            source.output_on()
        source.confine()
        assert (bench.source.on, bench.source.programmed_v) == (False, 0.0)
        source.output_on()
        source.set_voltage(1.0)
        bench.clock.sleep(0.5)
        assert source.read_back() == pytest.approx(1.0, abs=0.01)

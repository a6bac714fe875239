"""How an instrument spells what a DC voltmeter has to do."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.asking.asker import Asker, Spelling, Trial
from drivers.asking.findings import RoleFindings
from drivers.asking.readings import (
    SWITCHES,
    find_function,
    find_read,
    find_samples,
    find_select,
    find_trigger,
    keeps_settings,
    places,
)
from drivers.asking.values import at_least, number
from drivers.dialect import MeterDialect
from drivers.session import Session

_CONFIGURE = ("CONF:VOLT:DC", "CONF:VOLT", "CONF:SCAL:VOLT:DC")
_FUNCTIONS = ('FUNC "VOLT:DC"', 'FUNC "VOLT"', 'SENS:FUNC "VOLT:DC"', "FUNC VOLT:DC", "FUNC VOLT")
_MEASURE = ("MEAS:VOLT:DC", "MEAS:VOLT", "MEAS")
_HEADERS = ("SENS:VOLT:DC", "VOLT:DC", "SENS:VOLT", "VOLT", "SENS:DC")
_ZEROS = ("SENS:VOLT:DC:ZERO:AUTO", "VOLT:DC:ZERO:AUTO", "SENS:ZERO:AUTO", "ZERO:AUTO", "SYST:AZER:STAT", "SYST:AZER")


def ask_meter(session: Session, channel: int | None = None) -> RoleFindings[MeterDialect]:
    """Find out how to read DC volts, and leave the meter reading them in a range of its own choice.

    :param session: open, in a dialect in which wrong spellings do no harm.
    :param channel: the input that is wired, where there are several.
    :raises LinkLost: the link is gone.
    """
    asker = Asker(session)
    select = find_select(asker, channel)
    ways = places(None if select else channel)
    configured = [way.spelling(header, "", asks=False) for way in ways for header in _CONFIGURE]
    functions = [Spelling(each.template, "CONF?") for each in configured]
    functions += [Spelling(each, f"{each.partition(' ')[0]}?") for each in _FUNCTIONS]
    function = find_function(asker, functions, "VOLT")
    trigger = find_trigger(asker)
    read = find_read(asker, [way.query(name) for way in ways for name in _MEASURE], "V")
    kept = keeps_settings(read.template)
    fixed, automatic, integration, zero = _settings(asker) if kept else (Trial(name) for name in _SETTINGS)
    samples = find_samples(asker, read.template) if kept else Trial("readings a trigger")
    return RoleFindings(
        role="meter",
        dialect=MeterDialect(
            select=select,
            function=function.template if kept else "",
            fixed_range=fixed.template,
            automatic_range=automatic.filled(on="ON"),
            integration=integration.template,
            auto_zero=zero.filled(on="ON"),
            trigger=trigger.filled(source="IMM") if kept else "",
            samples=samples.template,
            read=read.template,
        ),
        capabilities=tuple(
            each.capability() for each in (function, fixed, automatic, integration, zero, trigger, samples, read)
        ),
        missing=() if read.spelling else (_no_reading(read),),
        losses=tuple(_losses(function, fixed, integration, samples, kept=kept)) if read.spelling else (),
    )


_SETTINGS = ("range", "automatic range", "integration time", "auto-zero")


def _settings(asker: Asker) -> tuple[Trial, Trial, Trial, Trial]:
    """Range, automatic range, integration time and auto-zero, in this order."""
    names = iter(_SETTINGS)
    fixed = asker.find_setting(next(names), "range", _under("RANG {range}"), [at_least(10.0, "V"), at_least(1.0, "V")])
    automatic = asker.find_setting(next(names), "on", _under("RANG:AUTO {on}"), SWITCHES)
    name = next(names)
    integration = asker.find_setting(name, "cycles", _under("NPLC {cycles}"), [number(10.0, None), number(1.0, None)])
    if integration.spelling is None:
        integration = asker.find_setting(
            name, "seconds", _under("APER {seconds}"), [number(0.2, "S"), number(0.02, "S")]
        )
    zero = asker.find_setting(next(names), "on", [Spelling(f"{each} {{on}}", f"{each}?") for each in _ZEROS], SWITCHES)
    for trial in (automatic, zero):
        if trial.spelling is not None:
            asker.obeys(trial, trial.filled(on="ON"))
    return fixed, automatic, integration, zero


def _under(setting: str) -> list[Spelling]:
    header = setting.partition(" ")[0]
    return [Spelling(f"{each}:{setting}", f"{each}:{header}?") for each in _HEADERS]


def _no_reading(read: Trial) -> str:
    return f"It gives no reading in volts{f' (it says: {read.said})' if read.said else ''}."


def _losses(function: Trial, fixed: Trial, integration: Trial, samples: Trial, *, kept: bool) -> Iterator[str]:
    if not kept:
        yield (
            "It reads by MEASure only, which chooses range and integration time anew each time: slower, and noise "
            "cannot be traded for time."
        )
        return
    if function.spelling is None:
        yield "It cannot be told what to measure: set it to DC volts by hand."
    if fixed.spelling is None:
        yield "Its range cannot be held: each reading may first look for one, which is slower."
    if integration.spelling is None:
        yield "Its integration time cannot be set: noise cannot be traded for time."
    if samples.spelling is None:
        yield "It takes one reading a message: several are slower."

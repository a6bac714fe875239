"""How an instrument spells what a frequency counter has to do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from drivers.asking.addressing import Addressing
from drivers.asking.asker import Asker, Spelling, Trial
from drivers.asking.findings import Evidence, RoleFindings
from drivers.asking.readings import (
    find_function,
    find_read,
    find_samples,
    find_select,
    find_trigger,
    keeps_settings,
    places,
    spelled,
)
from drivers.asking.values import number, word
from drivers.clock import Clock
from drivers.dialect import CounterDialect, joined
from drivers.errors import AnswerLate, InstrumentError, NotANumber, Overload, ReplyError
from drivers.scpi import parse_number
from drivers.session import Session

_CONFIGURE = ("CONF:FREQ", "CONF:SCAL:VOLT:FREQ", "CONF:VOLT:FREQ")
_FUNCTIONS = ('FUNC "FREQ"', 'FUNC "FREQ 1"', 'SENS:FUNC "FREQ"', 'SENS:FUNC "FREQ 1"', "FUNC FREQ")
_MEASURE = ("MEAS:FREQ", "MEAS:SCAL:FREQ", "MEAS")
_COUPLINGS = ("INP#:COUP", "SENS:FREQ:COUP", "SENS:COUP")
_LEVELS = ("SENS:EVEN#:LEV", "INP#:LEV", "SENS:EVEN#:LEV:ABS", "INP#:THR", "INP#:TRIG:LEV", "TRIG:LEV")
_IMPEDANCES = ("INP#:IMP",)
_GATES = (
    "SENS:FREQ:APER", "FREQ:APER", "SENS:FREQ:GATE:TIME", "FREQ:GATE:TIME", "SENS:GATE:TIME", "GATE:TIME",
    "SENS:ACQ:APER", "SENS:FREQ:ARM:STOP:TIM", "FREQ:ARM:STOP:TIM",
)  # fmt: skip
_RESOLUTIONS = ("SENS:FREQ:RES", "FREQ:RES", "SENS:FREQ:RANG:RES")
_FETCHES = ("FETC?", "FETC:FREQ?", "*WAI;:FETC?")
TRIED_GATES_S = (0.2, 0.1)
# common practice: a counter gives up on a signal after a second or two
_PATIENCE_GATES = 10.0


@dataclass(frozen=True, slots=True)
class _Inputs:
    """How the input takes the signal."""

    coupling: Trial
    level: Trial
    impedance: Trial


def ask_counter(session: Session, clock: Clock, channel: int | None = None) -> RoleFindings[CounterDialect]:
    """Find out how to count; it does not matter whether there is a signal.

    :param session: open, in a dialect in which wrong spellings do no harm.
    :param clock: the instrument's clock, which tells whether a result is waited for.
    :param channel: the input that is wired, where there are several.
    :raises LinkLost: the link is gone.
    """
    asker = Asker(session)
    select = find_select(asker, channel)
    ways = places(None if select else channel)
    functions = [
        Spelling(each.template, "CONF?")
        for each in (way.spelling(header, "", asks=False) for way in ways for header in _CONFIGURE)
    ]
    functions += [Spelling(each, f"{each.partition(' ')[0]}?") for each in _FUNCTIONS]
    function = find_function(asker, functions, "FREQ")
    trigger = find_trigger(asker)
    inputs = _inputs(asker, ways)
    gate = _gate(asker)
    read = find_read(asker, [way.query(name) for way in ways for name in _MEASURE], "HZ")
    kept = keeps_settings(read.template)
    start, fetch = _start_and_fetch(asker, clock, gate)
    samples = find_samples(asker, read.template) if kept else Trial("readings a trigger")
    trials = (function, inputs.coupling, inputs.level, inputs.impedance, gate, trigger, start, fetch, samples, read)
    return RoleFindings(
        role="counter",
        dialect=CounterDialect(
            select=select,
            function=joined(function.template, trigger.filled(source="IMM")),
            coupling=inputs.coupling.template,
            impedance=inputs.impedance.template,
            level=inputs.level.template,
            gate=gate.template if kept or start.spelling else "",
            samples=samples.template,
            start=start.template,
            fetch=fetch.template,
            read=read.template,
        ),
        capabilities=tuple(each.capability() for each in trials),
        missing=() if read.spelling else (_no_reading(read),),
        losses=tuple(_losses(function, gate, start, kept=kept)) if read.spelling else (),
    )


def _inputs(asker: Asker, ways: tuple[Addressing, ...]) -> _Inputs:
    """Coupling, level and impedance, each in turn; in the end DC, 0 V, and the high impedance."""
    couplings = spelled(ways, _COUPLINGS, "{coupling}")
    levels = spelled(ways, _LEVELS, "{level}")
    impedances = spelled(ways, _IMPEDANCES, "{impedance}")
    return _Inputs(
        coupling=asker.find_setting("coupling", "coupling", couplings, [word("AC"), word("DC")]),
        level=asker.find_setting("trigger level", "level", levels, [number(0.1, "V", 0.02), number(0.0, "V", 0.02)]),
        impedance=asker.find_setting("input impedance", "impedance", impedances, [number(1e6, "OHM")]),
    )


def _gate(asker: Asker) -> Trial:
    """A gate time, or else a resolution."""
    times = [Spelling(f"{header} {{gate}}", f"{header}?") for header in _GATES]
    trial = asker.find_setting("gate time", "gate", times, [number(each_s, "S") for each_s in TRIED_GATES_S])
    if trial.spelling is not None:
        return trial
    resolutions = [Spelling(f"{header} {{resolution}}", f"{header}?") for header in _RESOLUTIONS]
    tried = [number(1.0 / each_s, "HZ") for each_s in TRIED_GATES_S]
    found = asker.find_setting("resolution", "resolution", resolutions, tried)
    return found if found.spelling is not None else trial


def _start_and_fetch(asker: Asker, clock: Clock, gate: Trial) -> tuple[Trial, Trial]:
    """How a gate is opened without waiting, and its result fetched when it has closed."""
    start, fetch = Trial("start"), Trial("fetch")
    if gate.spelling is None or gate.name == "resolution":
        # without a gate of known length nothing tells a fresh result from an old one
        return start, fetch
    gate_s = TRIED_GATES_S[0]
    asker.obeys(start, gate.filled(gate=str(gate_s)))
    for query in _FETCHES:
        if not asker.obeys(start, "INIT"):
            break
        begun_s = clock.now()
        fetched = _fetched(asker, fetch, query, gate_s)
        if not fetched or clock.now() - begun_s < 0.5 * gate_s:
            fetch.said = fetch.said or f"{query} answers before the gate has closed"
            _let_end(asker, clock, gate_s)
            continue
        start.spelling, start.evidence = Spelling("INIT"), Evidence.ANSWERED
        fetch.spelling, fetch.evidence = Spelling(query), Evidence.ANSWERED
        break
    return start, fetch


def _let_end(asker: Asker, clock: Clock, gate_s: float) -> None:
    """End a gate that is still open: by command, or by waiting for it."""
    if not asker.obeys(Trial("abort"), "ABOR") or not asker.session.reports_errors:
        clock.sleep(_PATIENCE_GATES * gate_s)


def _fetched(asker: Asker, fetch: Trial, query: str, gate_s: float) -> bool:
    """Fetch; whether an answer came. A counter without a signal may say so at once, or after a time of its own."""
    session = asker.session
    try:
        session.value(query, lambda text: parse_number(text, "HZ"), timeout_s=4.0 * session.timeout_s + gate_s)
    except (NotANumber, Overload):
        return True
    except (InstrumentError, AnswerLate, ReplyError) as error:
        fetch.said = fetch.said or str(error)
        return False
    return True


def _no_reading(read: Trial) -> str:
    return f"It gives no reading in hertz{f' (it says: {read.said})' if read.said else ''}."


def _losses(function: Trial, gate: Trial, start: Trial, *, kept: bool) -> Iterator[str]:
    if function.spelling is None:
        yield "It cannot be told what to count: set it to frequency by hand."
    if gate.spelling is None or (not kept and start.spelling is None):
        yield "It has no gate control: readings take the time that they take, which is slower or noisier than needed."
    elif gate.name == "resolution":
        yield "It takes a resolution, not a gate time: how long a reading takes is its own choice."
    if start.spelling is None:
        yield "Nothing can be done while its gate is open: the CV is read before or after it, which is slower."

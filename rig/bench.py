"""A bench file, and the bench that it opens: roles filled, limits set, a safe state owed.

Whoever opens a bench gets its instruments inside a ``with`` block; however the block ends, the source is left at
0 V with its output off.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Literal, Protocol, Self

from pydantic import Field, model_validator

from drivers.clock import Clock, RealClock
from drivers.counter import Counter
from drivers.link import SerialOptions
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from rig.bench_profile import LINE_ENDS, LineEnd, load_profile
from rig.bench_trace import traced
from rig.errors import FileProblem
from rig.paper import PrinterTable
from rig.specification import (
    MeterSpecification,
    ReferenceUnit,
    SourceSpecification,
    TimeBaseSpecification,
    calibration_doubt,
)
from rig.tomlfile import Checked, Loaded, load

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date
    from pathlib import Path

    from drivers.hands import Hands
    from drivers.trace import Trace
    from rig.bench_profile import InstrumentProfile

Positive = Annotated[float, Field(gt=0)]


class SerialLine(Checked):
    """Settings of a serial line; the instrument's own need to be the same."""

    baud_rate: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "odd", "even"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"

    def options(self) -> SerialOptions:
        """The same for the driver."""
        return SerialOptions(self.baud_rate, self.data_bits, self.parity, self.stop_bits, self.flow_control)


class InstrumentRole(Checked):
    """Where an instrument is and how its link is set up.

    ``line_end`` ends messages in both directions; ``channel`` says which output or input is wired, where there are
    several (the profile then knows how it is named).
    """

    resource: str
    line_end: LineEnd = "LF"
    serial: SerialLine = SerialLine()
    channel: Annotated[int, Field(ge=1, le=999)] | None = None
    timeout_s: Positive = 5.0


class SourceRole(InstrumentRole, SourceSpecification):
    """The programmable DC source: what is stated of it, and how much current it may deliver."""

    current_limit_a: Positive | None = None
    timeout_s: Positive = 3.0


class MeterRole(InstrumentRole, MeterSpecification):
    """The digital multimeter: how it is used, and what its calibration states."""

    integration_cycles: Positive = 1.0
    mains_hz: Positive = 50.0


class CounterRole(InstrumentRole, TimeBaseSpecification):
    """The frequency counter: its gates, and what its calibration states."""

    shortest_gate_s: Positive
    longest_gate_s: Positive


class BenchIdentity(Checked):
    """Which bench this is."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    description: str = ""
    demonstration: bool = False
    characterisation_valid_hours: Positive
    unit_input_resistance_ohm: Positive = 100_000.0


class BenchFile(Checked):
    """A bench file. ``virtual`` is handed to the virtual bench as it stands."""

    bench: BenchIdentity
    source: SourceRole
    meter: MeterRole
    counter: CounterRole
    reference: ReferenceUnit | None = None
    printer: PrinterTable = PrinterTable()
    virtual: dict[str, object] | None = None

    @model_validator(mode="after")
    def _honest(self) -> Self:
        calibrations = [self.source.calibration, self.meter.calibration, self.counter.calibration]
        relative = any(each is not None and each.is_relative for each in calibrations)
        if relative and not self.bench.demonstration:
            raise ValueError("days_ago and due_in_days are for demonstration benches: give the dates on and due")
        if self.virtual is not None and not self.bench.demonstration:
            raise ValueError("a bench with a [virtual] table must say bench.demonstration = true")
        return self


def load_bench(path: Path) -> Loaded[BenchFile]:
    """Read and check a bench file.

    :raises FileProblem: it cannot be read or a field is wrong.
    """
    return load(path, BenchFile, "bench file")


def drawn_anew(loaded: Loaded[BenchFile], *, seed: int, fault: str) -> Loaded[BenchFile]:
    """The same bench, with the unit on it drawn by another seed and, where one is named, with a fault.

    :raises FileProblem: the bench has no [virtual] table, so nothing on it can be drawn.
    """
    if loaded.contents.virtual is None:
        raise FileProblem(
            f"The bench file {loaded.path} has no [virtual] table: only a virtual bench can be drawn anew."
        )
    virtual = {**loaded.contents.virtual, "seed": seed, **({"fault": fault} if fault else {})}
    return replace(loaded, contents=loaded.contents.model_copy(update={"virtual": virtual}))


def fault_names() -> tuple[str, ...]:
    """Faults that a virtual unit can be drawn with."""
    from drivers.virtual.faults import Fault

    return tuple(fault.value for fault in Fault)


class Provider(Protocol):
    """What stands behind the resources of a bench: real instruments on their links, or a virtual bench."""

    @property
    def resources(self) -> Mapping[str, str]:
        """Names that resources of the bench file may use in braces."""

    @property
    def clock(self) -> Clock:
        """The clock that the instruments live by."""

    @property
    def hands(self) -> Hands | None:
        """Whoever turns virtual trims; None where people do."""

    def close(self) -> None:
        """End what was started."""


class RealInstruments:
    """Instruments that stand on a real bench: nothing to start, nothing to end."""

    resources: Mapping[str, str] = {}
    hands: Hands | None = None

    def __init__(self) -> None:
        self.clock: Clock = RealClock()

    def close(self) -> None:
        """Nothing was started."""


@dataclass(frozen=True, slots=True)
class Bench:
    """An open bench."""

    file: BenchFile
    source: Source
    meter: Meter
    counter: Counter
    sessions: Mapping[str, Session]
    provider: Provider
    trace: Trace

    @property
    def clock(self) -> Clock:
        """The clock that the instruments live by."""
        return self.provider.clock

    @property
    def hands(self) -> Hands | None:
        """Whoever turns virtual trims; None where people do."""
        return self.provider.hands

    @property
    def today(self) -> date:
        """Day on the bench's clock, by which calibrations are judged."""
        return self.clock.utc().date()

    def overdue(self) -> tuple[str, ...]:
        """One sentence for each instrument whose calibration is missing or past due."""
        roles = {"meter": self.file.meter.calibration, "counter": self.file.counter.calibration}
        return tuple(
            sentence
            for role, calibration in roles.items()
            if (sentence := calibration_doubt(role, calibration, self.today))
        )


@dataclass(frozen=True, slots=True)
class Tracing:
    """What becomes of the messages to and from the instruments; the last minute is always remembered.

    :param everything_to: file for all of them; none when ``None``.
    :param faults_to: folder for the last minute before a fault that ends the block; none is kept when ``None``.
    """

    everything_to: Path | None = None
    faults_to: Path | None = None


@contextmanager
def open_bench(loaded: Loaded[BenchFile], limits: VoltageLimits, tracing: Tracing | None = None) -> Iterator[Bench]:
    """Open the instruments of a bench file; leave the source at 0 V with its output off, however the block ends.

    The profile beside the file, where there is one, says how the instruments are spoken to.

    :param limits: the CV that the product bears; nothing outside ever reaches the source.
    :param tracing: where messages are kept.
    :raises LinkError: an instrument does not answer.
    :raises BenchProblem: another instrument answers than the one that was asked, or one cannot fill its role.
    :raises FileProblem: a resource uses a name that nothing on the bench provides, or the profile is wrong.
    """
    file, profile = loaded.contents, load_profile(loaded.path)
    tracing = tracing or Tracing()
    with ExitStack() as stack:
        provider = provider_of(loaded)
        stack.callback(provider.close)
        trace = stack.enter_context(traced(provider.clock, tracing.everything_to, tracing.faults_to))

        def session(role: str, about: InstrumentRole, asked: InstrumentProfile | None) -> Session:
            return stack.enter_context(_session(loaded, provider, trace, role, about, asked))

        source_session = session("source", file.source, profile.source)
        source = stack.enter_context(Source(source_session, limits, profile.source.dialect if profile.source else None))
        source.choose_range()
        if file.source.current_limit_a is not None:
            source.limit_current(file.source.current_limit_a)
        meter_session = session("meter", file.meter, profile.meter)
        counter_session = session("counter", file.counter, profile.counter)
        counter = Counter(counter_session, profile.counter.dialect if profile.counter else None)
        counter.configure()
        yield Bench(
            file=file,
            source=source,
            meter=Meter(meter_session, profile.meter.dialect if profile.meter else None, file.meter.mains_hz),
            counter=counter,
            sessions={"source": source_session, "meter": meter_session, "counter": counter_session},
            provider=provider,
            trace=trace,
        )


@contextmanager
def _session(
    loaded: Loaded[BenchFile],
    provider: Provider,
    trace: Trace,
    role: str,
    about: InstrumentRole,
    asked: InstrumentProfile | None,
) -> Iterator[Session]:
    """Open one instrument, in the spelling that it was found to take."""
    if asked is not None:
        asked.require(role, about.resource)
    with Session.open(
        resource_of(loaded, role, provider.resources),
        role=role,
        timeout_s=about.timeout_s,
        termination=LINE_ENDS[about.line_end if asked is None else asked.line_end],
        link=asked.link if asked else None,
        serial=about.serial.options(),
        observer=trace.observe,
        clock=provider.clock,
    ) as session:
        if asked is not None:
            asked.require_same(role, session.identity)
        yield session


def provider_of(loaded: Loaded[BenchFile]) -> Provider:
    """What stands behind the resources of a bench file; close it in the end.

    :raises FileProblem: its [virtual] table is wrong.
    """
    if loaded.contents.virtual is None:
        return RealInstruments()
    from drivers.virtual import bench as virtual_bench
    from drivers.virtual.errors import WrongDescription

    try:
        configuration = virtual_bench.parse(loaded.contents.virtual, base=loaded.path.parent)
        return virtual_bench.start(configuration)
    except WrongDescription as error:
        raise FileProblem(f"The bench file {loaded.path} cannot be used: {error}") from None


def resource_of(loaded: Loaded[BenchFile], role: str, provided: Mapping[str, str]) -> str:
    """Resource string of a role, with the names in braces filled in.

    :raises FileProblem: a name is one that nothing on the bench provides.
    """
    file = loaded.contents
    templates = {
        "source": file.source.resource,
        "meter": file.meter.resource,
        "counter": file.counter.resource,
    }
    template = templates[role]
    try:
        return template.format_map(dict(provided))
    except (KeyError, ValueError, IndexError):
        names = ", ".join(f"{{{name}}}" for name in provided) or "none on this bench"
        message = (
            f"The bench file {loaded.path} has a wrong field: {role}.resource is {template!r}; "
            f"names in braces that it may use: {names}."
        )
        raise FileProblem(message) from None

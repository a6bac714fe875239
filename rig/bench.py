"""A bench file, and the bench that it opens: roles filled, limits set, a safe state owed.

Whoever opens a bench gets its instruments inside a ``with`` block; however the block ends, the source is left at
0 V with its output off.
"""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Protocol, Self

from pydantic import Field, model_validator

from drivers.clock import Clock, RealClock
from drivers.counter import Counter
from drivers.dialect import ThermometerDialect
from drivers.meter import Meter
from drivers.session import Session
from drivers.source import Source, VoltageLimits
from drivers.thermometer import Thermometer
from rig.bench_hold import held
from rig.bench_profile import LINE_ENDS, load_profile, never_asked, spelling_lines
from rig.bench_roles import (
    CounterRole,
    InstrumentRole,
    MeterRole,
    Positive,
    SourceRole,
    ThermometerRole,
    instrument_of,
    question_of,
    require_sharing,
)
from rig.bench_trace import traced
from rig.errors import BenchProblem, FileProblem
from rig.paper import PrinterTable
from rig.specification import ReferenceUnit, calibration_doubt
from rig.steady_clock import SteadyClock
from rig.tomlfile import Checked, Loaded, load

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import date
    from pathlib import Path

    from drivers.hands import Hands
    from drivers.trace import Trace
    from rig.bench_profile import InstrumentProfile, MeterProfile
    from rig.specification import Calibration

__all__ = ["CounterRole", "MeterRole", "SourceRole", "ThermometerRole"]


RESTED_ON = ("meter", "cv_meter", "counter")
"""Roles whose calibration a guarded verdict rests on."""


class BenchIdentity(Checked):
    """Which bench this is."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    description: str = ""
    demonstration: bool = False
    characterisation_valid_hours: Positive
    unit_input_resistance_ohm: Positive = 100_000.0
    unit_input_tolerance_percent: Annotated[float, Field(ge=0.0, le=50.0)] = 5.0
    """By how much inputs of other units may differ from that. Common practice: made of 5 % parts at worst."""


class BenchFile(Checked):
    """A bench file. ``virtual`` is handed to the virtual bench as it stands.

    With a ``cv_meter``, which stays on the CV, the ``meter`` stays on the rail and no lead is ever moved.
    """

    bench: BenchIdentity
    source: SourceRole
    meter: MeterRole
    cv_meter: MeterRole | None = None
    counter: CounterRole
    thermometer: ThermometerRole | None = None
    reference: ReferenceUnit | None = None
    printer: PrinterTable = PrinterTable()
    virtual: dict[str, object] | None = None

    @model_validator(mode="after")
    def _honest(self) -> Self:
        require_sharing(self.roles)
        relative = [name for name, each in self.calibrations.items() if each is not None and each.is_relative]
        if relative and not self.bench.demonstration:
            raise ValueError(
                f"days_ago and due_in_days (in {', '.join(f'[{name}]' for name in relative)}) are for demonstration "
                "benches: write the dates of the certificate, for instance "
                "calibration = { on = 2026-01-31, due = 2027-01-31 }"
            )
        if self.virtual is not None and not self.bench.demonstration:
            raise ValueError("a bench with a [virtual] table must say bench.demonstration = true")
        if self.virtual is not None and self.source.resource and "{" not in self.source.resource:
            # a virtual bench dies with the program, so that it has no lock and owes no safety note: a source has both
            raise ValueError(
                f"source.resource is {self.source.resource!r}, but on a bench with a [virtual] table the source is "
                'virtual too: write "{source}", or take the [virtual] table away'
            )
        return self

    @property
    def roles(self) -> Mapping[str, InstrumentRole]:
        """Roles that are filled, in the order in which they are opened."""
        listed: dict[str, InstrumentRole | None] = {
            "source": self.source,
            "meter": self.meter,
            "cv_meter": self.cv_meter,
            "counter": self.counter,
            "thermometer": self.thermometer,
        }
        return {name: role for name, role in listed.items() if role is not None}

    @property
    def calibrations(self) -> Mapping[str, Calibration | None]:
        """Calibration of each role that is filled; None where none is stated."""
        listed = {
            "source": self.source.calibration,
            "meter": self.meter.calibration,
            "cv_meter": self.cv_meter.calibration if self.cv_meter is not None else None,
            "counter": self.counter.calibration,
            "thermometer": self.thermometer.calibration if self.thermometer is not None else None,
        }
        return {name: listed[name] for name in self.roles}

    @property
    def on_the_cv(self) -> MeterRole:
        """The meter by which the CV is known: the one left on it, else the one whose lead is moved."""
        return self.cv_meter or self.meter


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

    @property
    def outlives_program(self) -> bool:
        """Whether the instruments stay as they are when this program is killed."""

    @property
    def names_differ(self) -> bool:
        """Whether no two instruments anywhere say that they are the same."""

    def close(self) -> None:
        """End what was started."""


class RealInstruments:
    """Instruments that stand on a real bench: nothing to start, nothing to end."""

    outlives_program = True
    names_differ = True
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
    clock: SteadyClock
    """The clock that the instruments live by, with a date that nobody sets in the middle of a visit."""
    cv_meter: Meter | None = None
    thermometer: Thermometer | None = None
    remark: str = ""
    """What an operator should know of how the bench is held; empty where there is nothing."""

    @property
    def hands(self) -> Hands | None:
        """Whoever turns virtual trims; None where people do."""
        return self.provider.hands

    @property
    def meter_on_the_cv(self) -> Meter:
        """The meter by which the CV is known: the one left on it, else the one whose lead is moved."""
        return self.cv_meter or self.meter

    @property
    def today(self) -> date:
        """Day of the people at the bench, in its own time zone, by which their certificates are dated and run out."""
        return self.clock.utc().astimezone().date()

    def spelling_of(self, role: str) -> str:
        """How the instrument of a role is spoken to, as TOML."""
        fillers: dict[str, Source | Meter | Counter | Thermometer | None] = {
            "source": self.source,
            "meter": self.meter,
            "cv_meter": self.meter_on_the_cv,
            "counter": self.counter,
            "thermometer": self.thermometer,
        }
        filler = fillers[role]
        if filler is None:
            return ""
        return "\n".join(spelling_lines("instrument", filler.session.link_dialect, filler.dialect)) + "\n"

    def overdue(self) -> tuple[str, ...]:
        """One sentence for each instrument whose calibration is missing or past due, and on which verdicts rest."""
        return tuple(
            sentence
            for role, calibration in self.file.calibrations.items()
            if role in RESTED_ON
            and (sentence := calibration_doubt(role.replace("cv_", "CV "), calibration, self.today))
        )


@dataclass(frozen=True, slots=True)
class Tracing:
    """What becomes of the messages to and from the instruments; the last minute is always remembered.

    :param everything_to: file for all of them; none when ``None``.
    :param faults_to: folder for the last minute before a fault that ends the block; none is kept when ``None``.
    :param tell: is told that the file ends early, for want of room; nobody is when ``None``.
    """

    everything_to: Path | None = None
    faults_to: Path | None = None
    tell: Callable[[str], None] | None = None


@contextmanager
def open_bench(loaded: Loaded[BenchFile], limits: VoltageLimits, tracing: Tracing | None = None) -> Iterator[Bench]:
    """Open the instruments of a bench file; leave the source at 0 V with its output off, however the block ends.

    The profile beside the file, where there is one, says how the instruments are spoken to.

    :param limits: the CV that the product bears; nothing outside ever reaches the source.
    :param tracing: where messages are kept.
    :raises LinkError: an instrument does not answer.
    :raises BenchBusy: another program drives the bench, or an instrument on it.
    :raises StillOwed: a program that was killed left the source on, and it cannot be made safe.
    :raises BenchProblem: another instrument answers than the one that was asked, one cannot fill its role, or the
        channel that is wired was never asked.
    :raises FileProblem: a resource uses a name that nothing on the bench provides, or the profile is wrong.
    """
    file, profile = loaded.contents, load_profile(loaded.path)
    tracing = tracing or Tracing()
    with ExitStack() as stack:
        provider = provider_of(loaded)
        stack.callback(provider.close)
        hold = stack.enter_context(held(loaded, provider))
        trace = stack.enter_context(traced(provider.clock, tracing.everything_to, tracing.faults_to, tracing.tell))
        opened: dict[str, Session] = {}

        def session(role: str, asked: InstrumentProfile | None) -> Session:
            opened[role] = stack.enter_context(_session(loaded, provider, trace, role, asked, opened))
            hold.instrument(opened[role].identity)
            return opened[role]

        def meter(role: str, about: MeterRole, asked: MeterProfile | None) -> Meter:
            return Meter(session(role, asked), asked.dialect if asked else None, about.mains_hz)

        source_session = session("source", profile.source)
        spelled = profile.source.dialect if profile.source else None
        source = stack.enter_context(Source(source_session, limits, spelled, hold.promise(source_session, profile)))
        source.confine(file.source.current_limit_a)
        rail_meter = meter("meter", file.meter, profile.meter)
        cv_meter = meter("cv_meter", file.cv_meter, profile.cv_meter) if file.cv_meter is not None else None
        counter = Counter(session("counter", profile.counter), profile.counter.dialect if profile.counter else None)
        counter.configure()
        thermometer = None
        if file.thermometer is not None:
            asked = profile.thermometer
            dialect = ThermometerDialect(question_of(file.thermometer)) if asked is None else asked.dialect
            thermometer = Thermometer(session("thermometer", asked), dialect)
        yield Bench(
            file=file,
            source=source,
            meter=rail_meter,
            counter=counter,
            sessions=opened,
            provider=provider,
            trace=trace,
            clock=SteadyClock(provider.clock),
            cv_meter=cv_meter,
            thermometer=thermometer,
            remark=hold.remark,
        )


@contextmanager
def _session(
    loaded: Loaded[BenchFile],
    provider: Provider,
    trace: Trace,
    role: str,
    asked: InstrumentProfile | None,
    opened: Mapping[str, Session],
) -> Iterator[Session]:
    """Open one instrument, in the spelling that it was found to take, or speak to one that another role opened."""
    roles = loaded.contents.roles
    about, place = roles[role], instrument_of(roles, role)
    if asked is not None:
        asked.require(role, place.resource, about.channel, loaded.path)
    elif about.channel is not None and not isinstance(about, ThermometerRole):
        # a thermometer's question names its channel itself
        raise BenchProblem(never_asked(role, about.channel, loaded.path))
    resource = resource_of(loaded, role, provider.resources)
    before = next((each for each in opened.values() if each.resource == resource), None)
    with (
        before.shared(role, about.timeout_s)
        if before is not None
        else Session.open(
            resource,
            role=role,
            timeout_s=about.timeout_s,
            termination=LINE_ENDS[place.line_end if asked is None else asked.line_end],
            link=asked.link if asked else None,
            serial=place.serial.options(),
            observer=trace.observe,
            clock=provider.clock,
        )
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
    from drivers.virtual.errors import BenchAway, WrongDescription

    try:
        configuration = virtual_bench.parse(loaded.contents.virtual, base=loaded.path.parent)
        return virtual_bench.start(configuration)
    except WrongDescription as error:
        raise FileProblem(f"The bench file {loaded.path} cannot be used: {error}") from None
    except BenchAway as error:
        raise BenchProblem(str(error)) from None


def resource_of(loaded: Loaded[BenchFile], role: str, provided: Mapping[str, str]) -> str:
    """Resource string of a role, with the names in braces filled in.

    :raises FileProblem: a name is one that nothing on the bench provides.
    """
    template = instrument_of(loaded.contents.roles, role).resource
    try:
        return template.format_map(dict(provided))
    except (KeyError, ValueError, IndexError):
        names = ", ".join(f"{{{name}}}" for name in provided) or "none on this bench"
        message = (
            f"The bench file {loaded.path} has a wrong field: {role}.resource is {template!r}; "
            f"names in braces that it may use: {names}."
        )
        raise FileProblem(message) from None

"""Asking the instruments of a bench file what they can do: what is said about it, and the profile that comes of it."""

from __future__ import annotations

from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.asking.address import Address
from drivers.asking.counter import ask_counter
from drivers.asking.findings import Capability, Evidence, LinkFindings, RoleFindings
from drivers.asking.link import ask_link, careful
from drivers.asking.meter import ask_meter
from drivers.asking.other_roles import could_also_be
from drivers.asking.source import ask_source
from drivers.asking.thermometer import ask_thermometer
from drivers.dialect import CounterDialect, MeterDialect, SourceDialect, ThermometerDialect
from drivers.errors import DriverError, SourceNotSafe
from drivers.secrets import without_secrets
from drivers.source import Source, VoltageLimits
from rig.bench import provider_of, resource_of
from rig.bench_hold import held
from rig.bench_profile import (
    LINE_ENDS,
    AnyProfile,
    BenchProfile,
    CounterProfile,
    MeterProfile,
    SourceProfile,
    ThermometerProfile,
    load_profile,
    save_profile,
)
from rig.bench_roles import SourceRole, ThermometerRole, instrument_of, question_of
from rig.bench_trace import traced
from rig.errors import BenchProblem, FileProblem, StillOwed
from rig.owed import SafetyNote, make_safe

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime
    from pathlib import Path

    from drivers.clock import Clock
    from drivers.session import Session
    from drivers.trace import Trace
    from rig.bench import BenchFile, Provider
    from rig.bench_hold import Hold
    from rig.bench_roles import InstrumentRole
    from rig.tomlfile import Loaded

_PROFILES: dict[str, type[AnyProfile]] = {
    "source": SourceProfile,
    "meter": MeterProfile,
    "cv_meter": MeterProfile,
    "counter": CounterProfile,
    "thermometer": ThermometerProfile,
}
_NAMES_OF_LINE_ENDS = {text: name for name, text in LINE_ENDS.items()}
_Findings = RoleFindings[SourceDialect | MeterDialect | CounterDialect | ThermometerDialect]


@dataclass(frozen=True, slots=True)
class Asked:
    """What came of asking one instrument.

    :param also: other roles that it could fill, as far as a few questions tell.
    """

    role: str
    resource: str
    link: LinkFindings
    findings: _Findings
    also: tuple[str, ...]

    @property
    def capabilities(self) -> tuple[Capability, ...]:
        """What it can and cannot do, the link's part first."""
        return self.link.capabilities + self.findings.capabilities

    @property
    def losses(self) -> tuple[str, ...]:
        """What is lost with this instrument, one sentence each; nothing with one that cannot fill its role."""
        return self.link.losses + self.findings.losses if self.findings.fills else ()


@dataclass(frozen=True, slots=True)
class Unasked:
    """An instrument that could not be asked, and why."""

    role: str
    resource: str
    problem: str


@dataclass(frozen=True, slots=True)
class BenchChecked:
    """What came of asking the instruments of a bench file.

    :param profile: where the profile was written; ``None`` when nobody could be asked.
    """

    instruments: tuple[Asked | Unasked, ...]
    profile: Path | None

    @property
    def usable(self) -> bool:
        """Whether every role can be filled."""
        return all(isinstance(each, Asked) and each.findings.fills for each in self.instruments)


def check_bench(
    loaded: Loaded[BenchFile],
    tell: Callable[[Asked | Unasked], None],
    trace_to: Path | None = None,
    problem: Callable[[str], None] | None = None,
) -> BenchChecked:
    """Ask each instrument of a bench file, and write the profile beside the file.

    The source is left at 0 V with its output off; its output is on for a moment, at 0 V, only when everything that
    limits it has been set and confirmed. The profile of an instrument that cannot be asked now stays as it was.

    :param tell: is told about each instrument when it has been asked.
    :param trace_to: file for every message.
    :param problem: is told that this file ends early.
    :raises FileProblem: the bench file is wrong, or the profile cannot be written.
    """
    instruments: list[Asked | Unasked] = []
    with ExitStack() as stack:
        provider = provider_of(loaded)
        stack.callback(provider.close)
        hold = stack.enter_context(held(loaded, provider))
        trace = stack.enter_context(traced(provider.clock, trace_to, None, problem))
        for role in loaded.contents.roles:
            instruments.append(_ask(loaded, provider, trace, role, hold))
            tell(instruments[-1])
        now = provider.clock.utc()
    asked = {each.role: each for each in instruments if isinstance(each, Asked)}
    channels = {role: about.channel for role, about in loaded.contents.roles.items()}
    path = save_profile(loaded.path, _profile(_profile_before(loaded), asked, channels, now)) if asked else None
    return BenchChecked(tuple(instruments), path)


def _ask(loaded: Loaded[BenchFile], provider: Provider, trace: Trace, role: str, hold: Hold) -> Asked | Unasked:
    about, place = loaded.contents.roles[role], instrument_of(loaded.contents.roles, role)
    shown = without_secrets(place.resource)
    address = Address(
        resource=resource_of(loaded, role, provider.resources),
        role=role,
        timeout_s=about.timeout_s,
        termination=LINE_ENDS[place.line_end],
        serial=place.serial.options(),
        observer=trace.observe,
        clock=provider.clock,
    )
    promise: SafetyNote | None = None
    try:
        link = ask_link(address)
        dialect = careful(link.dialect, drops_rest=link.drops_rest)
        with address.open_next(dialect, link.termination, link.patience_s) as session:
            hold.instrument(session.identity)
            if role == "source":
                promise = _promised(session, loaded, hold, link)
            findings = _findings(session, provider.clock, about, promise)
            if promise is not None:
                findings = _confirmed_safe(session, findings, promise, loaded.path)
            elif isinstance(findings.dialect, SourceDialect) and findings.fills:
                # it is confirmed by the same way that will be used
                Source(session, VoltageLimits(0.0, 0.0), findings.dialect)
            also = could_also_be(session, role)
            link = _with_remote(link, session.link_dialect.remote)
    except SourceNotSafe as error:
        return Unasked(role, shown, str(error))
    except DriverError as error:
        return Unasked(role, shown, f"{error}{_left_behind(promise, loaded.path)}")
    return Asked(role, shown, link, findings, also)


def _with_remote(link: LinkFindings, remote: str) -> LinkFindings:
    """Add the word by which the instrument was put under remote control, where it needed one."""
    if not remote:
        return link
    word = Capability("remote control", remote, Evidence.ACCEPTED)
    return replace(link, dialect=replace(link.dialect, remote=remote), capabilities=(*link.capabilities, word))


def _promised(session: Session, loaded: Loaded[BenchFile], hold: Hold, link: LinkFindings) -> SafetyNote | None:
    """A note of what is owed as long as the source may be on: by what was asked before, as far as that is of use."""
    before = _profile_before(loaded)
    try:
        promise = hold.promise(session, before)
    except BenchProblem:
        # asked elsewhere, or for another channel
        promise = hold.promise(session, before.model_copy(update={"source": None}))
    if promise is not None:
        promise.now(replace(promise.debt, termination=link.termination, link=link.dialect))
        promise.give()
    return promise


def _confirmed_safe(session: Session, findings: _Findings, promise: SafetyNote, bench: Path) -> _Findings:
    """Take the note away where the source confirms that it is at 0 V and off, by the way that will be used.

    One that took no command by which it could be switched off or set was left as it was.
    """
    dialect = findings.dialect
    if not isinstance(dialect, SourceDialect) or not (dialect.off or dialect.set_voltage):
        promise.keep()
        return findings
    if findings.fills:
        Source(session, VoltageLimits(0.0, 0.0), dialect)
        promise.keep()
        return findings
    if promise.debt.channel_never_asked is None:
        with suppress(SourceNotSafe):
            Source(session, VoltageLimits(0.0, 0.0), promise.debt.dialect)
            promise.keep()
            return findings
    return replace(findings, missing=(*findings.missing, f"Its {_by_hand(bench)}."))


def _by_hand(bench: Path) -> str:
    return (
        "output may be on: switch it off by hand now, before you touch the unit, then type "
        f"rig bench safe {bench} --by-hand"
    )


def _left_behind(promise: SafetyNote | None, bench: Path) -> str:
    """Make a source safe that was lost while it was asked; what there is to say of it, to follow the reason."""
    if promise is None or not promise.given:
        return ""
    try:
        make_safe(promise.debt, bench)
    except StillOwed:
        return f"; its {_by_hand(bench)}"
    promise.keep()
    return "; it was brought to 0 V with its output off after that"


def _findings(session: Session, clock: Clock, about: InstrumentRole, promise: SafetyNote | None) -> _Findings:
    def known_now(dialect: SourceDialect) -> None:
        if promise is not None:
            spoken = replace(promise.debt.link, remote=session.link_dialect.remote)
            promise.now(replace(promise.debt, dialect=dialect, link=spoken, channel_never_asked=None))

    match session.role:
        case "source":
            wanted_a = about.current_limit_a if isinstance(about, SourceRole) else None
            return ask_source(session, about.channel, wanted_a, known_now)
        case "counter":
            return ask_counter(session, clock, about.channel)
        case "thermometer" if isinstance(about, ThermometerRole):
            return ask_thermometer(session, about.kind, about.channel, question_of(about) if about.query else "")
        case _:
            return ask_meter(session, about.channel)


def _profile_before(loaded: Loaded[BenchFile]) -> BenchProfile:
    """The profile as it is; an empty one where it cannot be used, since it is made anew."""
    try:
        return load_profile(loaded.path)
    except FileProblem:
        return BenchProfile()


def _profile(
    before: BenchProfile, asked: dict[str, Asked], channels: Mapping[str, int | None], now: datetime
) -> BenchProfile:
    made: dict[str, AnyProfile] = {}
    for role, each in asked.items():
        identity, common = each.link.identity, each.findings
        fields = {
            "resource": each.resource,
            "channel": channels[role],
            "maker": identity.maker,
            "model": identity.model,
            "serial": identity.serial,
            "firmware": identity.firmware,
            "asked": now,
            "line_end": _NAMES_OF_LINE_ENDS[each.link.termination],
            "missing": common.missing,
            "losses": each.losses,
            "link": each.link.dialect,
            "dialect": common.dialect,
        }
        made[role] = _PROFILES[role].model_validate(fields)
    return before.model_copy(update=made)

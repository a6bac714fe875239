"""The profile of a bench: how each of its instruments spells what it can do, found by asking and kept beside the file.

A profile belongs to the instruments that were asked. Another instrument at the same address is noticed when the
bench is opened, before anything is said to it in the wrong spelling.
"""

from __future__ import annotations

import json
from dataclasses import asdict, fields
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, BeforeValidator

from drivers.dialect import (
    CounterDialect,
    Dialect,
    LinkDialect,
    MeterDialect,
    SourceDialect,
    ThermometerDialect,
    require_whole,
)
from drivers.scpi import Identity
from drivers.secrets import without_secrets
from rig.errors import BenchProblem, FileProblem
from rig.tomlfile import Checked, load
from rig.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping

LineEnd = Literal["LF", "CR LF", "CR"]
LINE_ENDS: Mapping[LineEnd, str] = {"LF": "\n", "CR LF": "\r\n", "CR": "\r"}


def _only_fields_of(kind: type[Dialect]) -> BeforeValidator:
    """Let nothing pass that has a field which the dialect does not have."""
    known = {field.name for field in fields(kind)}

    def check_names(raw: object) -> object:
        unknown = sorted(set(raw) - known) if isinstance(raw, dict) else []
        if unknown:
            raise ValueError(f"{unknown[0]} is not a field of it (misspelt?)")
        return raw

    return BeforeValidator(check_names)


class InstrumentProfile(Checked):
    """One instrument as it was asked.

    ``resource`` and ``channel`` are what the bench file had, and the four fields of the identity are what it answered.
    """

    resource: str
    channel: int | None = None
    maker: str
    model: str
    serial: str
    firmware: str
    asked: datetime
    line_end: LineEnd
    missing: tuple[str, ...] = ()
    losses: tuple[str, ...] = ()
    link: Annotated[LinkDialect, _only_fields_of(LinkDialect), AfterValidator(require_whole)]

    def require(self, role: str, resource: str, channel: int | None, bench: Path) -> None:
        """Let the profile pass that was made for an address and a channel of it, and can fill its role.

        :raises BenchProblem: it was made for another address or channel, or the instrument cannot fill the role.
        """
        self.require_place(role, resource, channel, bench)
        if self.missing:
            raise BenchProblem(f"The {role} ({self.maker} {self.model}) cannot fill its role: {' '.join(self.missing)}")

    def require_place(self, role: str, resource: str, channel: int | None, bench: Path) -> None:
        """Let the profile pass that was made for an address and a channel of it.

        :param channel: what the bench file says is wired; ``None`` where it names none.
        :raises BenchProblem: it was made for another address or channel.
        """
        if self.resource != without_secrets(resource):
            raise BenchProblem(
                f"The {role} was asked at {self.resource}, and the bench file says {without_secrets(resource)}: "
                "ask it again with rig bench check."
            )
        if channel is not None and self.channel != channel:
            raise BenchProblem(never_asked(role, channel, bench))
        if self.channel != channel:
            raise BenchProblem(
                f"The {role} was asked for its channel {self.channel}, and the bench file names none: rig bench check "
                f"{bench}"
            )

    def require_same(self, role: str, identity: Identity) -> None:
        """Let the instrument pass that was asked, or another of its model and firmware.

        :raises BenchProblem: another one answers.
        """
        if (identity.maker, identity.model, identity.firmware) != (self.maker, self.model, self.firmware):
            raise BenchProblem(
                f"The {role} is {identity}, and its profile is that of {self.maker},{self.model},{self.serial},"
                f"{self.firmware}: ask it again with rig bench check."
            )


def never_asked(role: str, channel: int, bench: Path) -> str:
    """Say of a channel that nobody asked that it cannot be used: how it is named is not known."""
    return f"The {role}'s channel {channel} was never asked: rig bench check {bench}"


class SourceProfile(InstrumentProfile):
    """The source as it was asked."""

    dialect: Annotated[SourceDialect, _only_fields_of(SourceDialect), AfterValidator(require_whole)]


class MeterProfile(InstrumentProfile):
    """The meter as it was asked."""

    dialect: Annotated[MeterDialect, _only_fields_of(MeterDialect), AfterValidator(require_whole)]


class CounterProfile(InstrumentProfile):
    """The counter as it was asked."""

    dialect: Annotated[CounterDialect, _only_fields_of(CounterDialect), AfterValidator(require_whole)]


class ThermometerProfile(InstrumentProfile):
    """The thermometer as it was asked."""

    dialect: Annotated[ThermometerDialect, _only_fields_of(ThermometerDialect), AfterValidator(require_whole)]


AnyProfile = SourceProfile | MeterProfile | CounterProfile | ThermometerProfile


class BenchProfile(Checked):
    """How the instruments of a bench are spoken to; one that was not asked speaks SCPI-1999."""

    source: SourceProfile | None = None
    meter: MeterProfile | None = None
    cv_meter: MeterProfile | None = None
    counter: CounterProfile | None = None
    thermometer: ThermometerProfile | None = None

    @property
    def asked(self) -> Mapping[str, AnyProfile]:
        """Profiles of the roles that were asked."""
        listed: dict[str, AnyProfile | None] = {
            "source": self.source,
            "meter": self.meter,
            "cv_meter": self.cv_meter,
            "counter": self.counter,
            "thermometer": self.thermometer,
        }
        return {role: profile for role, profile in listed.items() if profile is not None}


def profile_path(bench_path: Path) -> Path:
    """Where the profile of a bench file is kept: beside it."""
    return bench_path.with_name(f"{bench_path.stem}.profile.toml")


def load_profile(bench_path: Path) -> BenchProfile:
    """Read the profile beside a bench file; an empty one where there is none.

    :raises FileProblem: it cannot be read or a field is wrong.
    """
    path = profile_path(bench_path)
    return load(path, BenchProfile, "bench profile").contents if path.exists() else BenchProfile()


def save_profile(bench_path: Path, profile: BenchProfile) -> Path:
    """Write the profile beside a bench file; the old one stays whole until the new one is.

    :raises FileProblem: it cannot be written there.
    """
    path = profile_path(bench_path)
    lines = [
        "# How the instruments of this bench are spoken to, found by asking them: rig bench check",
        "# Made anew each time; what has to be changed by hand belongs in the bench file.",
    ]
    for role, instrument in profile.asked.items():
        lines += ["", *_table(role, instrument)]
    try:
        write_whole(path, ("\n".join(lines) + "\n").encode("utf-8"))
    except OSError as error:
        raise FileProblem(
            f"The bench profile {path} cannot be written ({error.strerror}): put the bench file where you may write "
            "and there is room."
        ) from None
    return path


def _table(role: str, instrument: AnyProfile) -> list[str]:
    flat = instrument.model_dump(mode="json", exclude={"link", "dialect"}, exclude_none=True)
    return [
        f"[{role}]",
        *(_entry(name, value) for name, value in flat.items()),
        *spelling_lines(role, instrument.link, instrument.dialect),
    ]


def spelling_lines(role: str, link: LinkDialect, dialect: Dialect) -> list[str]:
    """How an instrument is spoken to, as lines of TOML."""
    return [
        f"[{role}.link]",
        *(_entry(name, value) for name, value in asdict(link).items()),
        f"[{role}.dialect]",
        *(_entry(name, value) for name, value in asdict(dialect).items()),
    ]


def _entry(name: str, value: object) -> str:
    """One line of TOML; its basic strings, numbers, booleans and arrays of strings are written as in JSON."""
    return f"{name} = {json.dumps(value)}"

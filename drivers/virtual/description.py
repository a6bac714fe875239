"""Descriptions in TOML (a population, a unit, a bench's [virtual] table), checked field by field."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from drivers.virtual.errors import WrongDescription

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails

LARGEST_FILE_BYTES = 1_000_000


class Described(BaseModel):
    """A part of a description: unknown fields refused, nothing changed after reading, numbers finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


DescribedT = TypeVar("DescribedT", bound=Described)


def load(path: Path, model: type[DescribedT], kind: str) -> DescribedT:
    """Read and check a TOML file.

    :param kind: what the file is, for messages ('population').
    :raises WrongDescription: it cannot be read, is not TOML, or a field is wrong.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise WrongDescription(
            f"The {kind} {path} cannot be read ({error.strerror}): check the name in the [virtual] table."
        ) from None
    if len(data) > LARGEST_FILE_BYTES:
        raise WrongDescription(f"The {kind} {path} has {len(data)} bytes; no {kind} is that long: check the name.")
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except ValueError as error:
        raise WrongDescription(f"The {kind} {path} is not valid TOML in UTF-8: {error}; mend that place.") from None
    return check(table, model, f"{kind} {path}")


def check(table: Mapping[str, object], model: type[DescribedT], place: str) -> DescribedT:
    """Check a parsed table against its model.

    :raises WrongDescription: names the first wrong field and what is wrong with it.
    """
    try:
        return model.model_validate(table)
    except ValidationError as error:
        problems = error.errors(include_url=False)
    raise WrongDescription(_sentence(problems, place))


def _sentence(problems: list[ErrorDetails], place: str) -> str:
    first = problems[0]
    field = ".".join(str(part) for part in first["loc"]) or "the table as a whole"
    if first["type"] == "missing":
        trouble = "is missing"
    elif first["type"] == "extra_forbidden":
        trouble = "is not a field that is known here (misspelt?)"
    else:
        reason = first["msg"].removeprefix("Value error, ")
        trouble = f"is {_shown(first['input'])}: {reason[:1].lower()}{reason[1:]}"
    more = f" ({len(problems) - 1} more after it)" if len(problems) > 1 else ""
    return f"The {place} has a wrong field: {field} {trouble}{more}."


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."

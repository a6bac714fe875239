"""TOML files checked against a pydantic model, with one clear sentence for whatever is wrong."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from rig.errors import FileProblem

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails

LONGEST_QUOTE = 240
LARGEST_FILE_BYTES = 1_000_000


class Checked(BaseModel):
    """A part of a file: unknown fields refused, nothing changed after reading, numbers finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True)


ModelT = TypeVar("ModelT", bound=Checked)


@dataclass(frozen=True, slots=True)
class Loaded(Generic[ModelT]):
    """A checked file: its contents, its text and the hash of that text (its revision by content)."""

    path: Path
    text: str
    content_hash: str
    contents: ModelT


def load(path: Path, model: type[ModelT], kind: str) -> Loaded[ModelT]:
    """Read and check one file.

    :param kind: what the file is, for messages ('product file', 'bench file').
    :raises FileProblem: it cannot be read, is not TOML, or a field is wrong.
    """
    text, raw = read(path, kind)
    return Loaded(path, text, hashlib.sha256(text.encode()).hexdigest(), check(raw, model, f"{kind} {path}"))


def read(path: Path, kind: str) -> tuple[str, dict[str, object]]:
    """Text of a TOML file, and what stands in it.

    :raises FileProblem: it cannot be read, or is not TOML.
    """
    text = _read(path, kind)
    try:
        return text, tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # besides its own error tomllib lets those of numbers without end and of nesting without end through
        message = f"The {kind} {path} is not valid TOML: {_one_line(str(error))}; mend that line and try again."
        raise FileProblem(message) from None


def check(raw: Mapping[str, object], model: type[ModelT], place: str) -> ModelT:
    """Check parsed TOML against its model.

    :raises FileProblem: names the first wrong field, what is wrong and how many more there are.
    """
    try:
        checked = model.model_validate(raw)
    except ValidationError as error:
        raise FileProblem(_first_problem(error, place)) from None
    refuse_flags(raw, checked, place)
    return checked


def refuse_flags(raw: object, checked: object, place: str, where: str = "") -> None:
    """See that no true or false of a file was read as one or nought: a limit of ``true`` would be one of 1 cent.

    :param raw: what stands in the file.
    :param checked: what was made of it.
    :param where: the field, for the message; empty for the file as a whole.
    :raises FileProblem: names the field.
    """
    if isinstance(raw, bool):
        if not isinstance(checked, bool):
            said = str(raw).lower()
            raise FileProblem(f"The {place} has a wrong field: {where} is {said}: give its value, not true or false.")
    elif isinstance(raw, dict):
        for name, value in raw.items():
            inner = checked.get(name) if isinstance(checked, dict) else getattr(checked, name, value)
            refuse_flags(value, inner, place, f"{where}.{name}" if where else str(name))
    elif isinstance(raw, list) and isinstance(checked, list | tuple):
        for number, (value, inner) in enumerate(zip(raw, checked, strict=False)):
            refuse_flags(value, inner, place, f"{where}.{number}")


def _read(path: Path, kind: str) -> str:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileProblem(f"There is no {kind} {path}: check the name, or copy an example first.") from None
    except OSError as error:
        raise FileProblem(f"The {kind} {path} cannot be read ({error.strerror}): check its rights.") from None
    except ValueError:
        raise FileProblem(f"{str(path)!r} cannot be a file name: check what was typed.") from None
    if len(data) > LARGEST_FILE_BYTES:
        message = f"The {kind} {path} has {len(data)} bytes; no {kind} is that long: is it the right file?"
        raise FileProblem(message)
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        message = f"The {kind} {path} is not UTF-8 text (byte {error.start}): save it as UTF-8 and try again."
        raise FileProblem(message) from None


def _first_problem(error: ValidationError, place: str) -> str:
    problems = error.errors(include_url=False)
    more = f" ({len(problems) - 1} more after it)" if len(problems) > 1 else ""
    return f"The {place} has a wrong field: {_problem(problems[0])}{more}."


def every_problem(error: ValidationError, place: str) -> str:
    """Name every wrong field, for files that are small."""
    problems = [_problem(each) for each in error.errors(include_url=False)]
    fields = "a wrong field" if len(problems) == 1 else f"{len(problems)} wrong fields"
    return f"The {place} has {fields}: {'; '.join(problems)}."


def _problem(problem: ErrorDetails) -> str:
    """Where a field is and what is wrong with it."""
    where = _one_line(".".join(str(part) for part in problem["loc"]))
    message = _one_line(problem["msg"].removeprefix("Value error, "))
    if problem["type"] == "missing":
        return f"{where} is missing"
    if problem["type"] == "extra_forbidden":
        return f"{where} is not a field of this file (misspelt?)"
    if problem["type"] == "value_error" and not isinstance(problem["input"], str | int | float):
        # what several fields say together: all of them would be much to read, and the message names those that count
        return f"{where}: {message}" if where else message
    where = where or "the file as a whole"
    shown = repr(problem["input"])
    shown = shown if len(shown) <= 60 else shown[:57] + "..."
    return f"{where} is {shown}: {message[0].lower()}{message[1:]}"


def _one_line(text: str) -> str:
    """Text out of a file, fit for a sentence: printable, and not longer than a few lines."""
    shown = "".join(each if each.isprintable() else "?" for each in text)
    return shown if len(shown) <= LONGEST_QUOTE else shown[: LONGEST_QUOTE - 3] + "..."

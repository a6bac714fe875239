"""The control line of a virtual bench that is a process of its own: one line of JSON asked, one answered.

::

    {"call": "turn", "arguments": ["scale", 0.25]}      →  {"value": null}
    {"call": "turn", "arguments": ["wick", 0.25]}       →  {"refused": "This unit has no trim 'wick': ..."}

Where the line and the instruments are stands in a small address file. On loopback only: whoever may open a socket on
this computer may turn the virtual trims.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from pydantic import TypeAdapter, ValidationError

from drivers.virtual.errors import BenchAway

if TYPE_CHECKING:
    from pathlib import Path

Plain: TypeAlias = bool | int | float | str | dict[str, "Plain"] | list["Plain"] | None
"""What JSON can say."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where a served virtual bench is.

    :param resources: resource strings of its instruments, by role.
    :param control_port: loopback port of its control line.
    :param clock: whether its time is real or its own.
    :param process_id: of the program that serves it.
    """

    resources: Mapping[str, str]
    control_port: int
    clock: Literal["instant", "real"]
    process_id: int


_ADDRESS = TypeAdapter(Address)


def write_address(path: Path, address: Address) -> None:
    """Write an address file; whoever reads it meanwhile finds the old one whole.

    :raises OSError: it cannot be written there.
    """
    draft = path.with_name(f"{path.name}.part")
    draft.write_text(json.dumps(asdict(address)), encoding="utf-8")
    draft.replace(path)


def read_address(path: Path) -> Address:
    """Read an address file.

    :raises BenchAway: there is none, or none that can be used.
    """
    try:
        return _ADDRESS.validate_json(path.read_bytes())
    except (OSError, ValidationError):
        raise away(path) from None


def away(path: Path) -> BenchAway:
    """The sentence for a bench that nobody serves."""
    return BenchAway(
        f"The virtual bench of {path} is not running: start it with rig bench serve and the name of its bench file."
    )

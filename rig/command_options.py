"""What commands share on their command lines: groups, kinds of values, options.

Nothing is imported here that a command would wait for.
"""

from __future__ import annotations

import math
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from typing import Any

INTERRUPTED = 130
"""Exit code after Ctrl-C, as shells have it."""
LARGEST = 2**31 - 1
"""Whole numbers on a command line end where those of most instruments, databases and files end."""


class CommandGroup(click.Group):
    """Commands in the order in which they were added, which is the order in which one needs them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names for the help, and for what is looked through when a name is not known."""
        return list(self.commands)


class FiniteNumber(click.ParamType[float]):
    """A number with a place on the line of numbers: neither nan nor inf."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number that was typed.

        :raises click.BadParameter: it is no number, or not a finite one.
        """
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!a} is no number.", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!a} is not a finite number: give one that is.", param, ctx)
        return number


class FiniteRange(click.FloatRange):
    """A number between bounds; nan is below no bound and above none, and is refused all the same."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number that was typed.

        :raises click.BadParameter: it is no number, not a finite one, or out of bounds.
        """
        return super().convert(NUMBER.convert(value, param, ctx), param, ctx)


class WholeRange(click.IntRange):
    """A whole number between bounds, both of which are allowed."""

    name = "whole number"

    def __init__(self, low: int, high: int = LARGEST) -> None:
        super().__init__(low, high)


class NamedPath(click.Path[Path]):
    """A path, looked at by nobody yet: whoever reads the file says what is wrong with it."""

    def __init__(self) -> None:
        super().__init__(path_type=Path, readable=False)

    def convert(self, value: str | os.PathLike[str], param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """The path that was typed.

        :raises click.BadParameter: nothing was, as where a variable of a shell is not set.
        """
        if not os.fspath(value):
            self.fail("the name is empty: name a file or folder.", param, ctx)
        return super().convert(value, param, ctx)


NUMBER = FiniteNumber()
PATH = NamedPath()

serial_argument = click.argument("serial", help="Serial of the unit, as scanned.")
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON document instead of text.")
product_option = click.option(
    "--product", type=PATH, help="Product file (TOML). Default: the invented demonstration product."
)
operator_option = click.option("--operator", default="operator", show_default=True, help="Who stands at the bench.")
why_option = click.option("--why", required=True, help="Why; it is kept in the record.")

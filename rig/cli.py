"""What a person types, and how it ends. Only the module of the command that is typed is imported."""

from __future__ import annotations

import atexit
import gc
import os
import signal
import sys
from importlib import import_module
from typing import TYPE_CHECKING

import click

from rig.command_options import INTERRUPTED
from rig.marks import as_marks

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import FrameType
    from typing import Any

HELP = (
    "Test rig for voltage-controlled oscillators: sweeps a unit, fits its tracking, says which trim to turn and "
    "the reading at which to stop, judges the unit and keeps the record.\n\n"
    "New here? Type: rig demo\n\n"
    "Exit code: 0 pass or conditional pass, 1 fail or conditional fail, 2 wrong input, 3 bench fault, "
    "4 no decision. Results are kept where 'rig where' says."
)
COLLECTED_AFTER = 250_000
"""New objects after which garbage is looked for, more than a command makes that asks the record; 700 as Python has it.
"""
THREADS_OF_ALGEBRA = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""What the libraries under NumPy ask how many threads they may begin."""
COMMANDS = {
    "demo": "rig.commands_run:demo",
    "check": "rig.commands_run:check",
    "work": "rig.commands_run:work",
    "history": "rig.commands_kept:history",
    "trims": "rig.commands_kept:trims",
    "watch": "rig.commands_run:watch",
    "where": "rig.commands_kept:where",
    "temperature": "rig.commands_temperature:temperature",
    "returned": "rig.commands_returns:returned",
    "compare": "rig.commands_returns:compare",
    "repair": "rig.commands_returns:repair",
    "visits": "rig.commands_visits:visits",
    "close": "rig.commands_visits:close",
    "batches": "rig.commands_batch:batches",
    "batch": "rig.commands_batch:batch",
    "rejudge": "rig.commands_batch:rejudge",
    "record": "rig.commands_paper:record",
    "export": "rig.commands_data:export",
    "import-serials": "rig.commands_data:import_serials",
    "print": "rig.commands_paper:print_app",
    "bench": "rig.commands_bench:bench_app",
    "db": "rig.commands_db:db_app",
    "people": "rig.commands_people:people_app",
    "product": "rig.commands_people:product_app",
}
"""Where each command is found, in the order of the help."""


class Program(click.Group):
    """Commands that are imported when they are asked for.

    :param places: module and name of each command, as in ``rig.commands_run:demo``.
    """

    def __init__(self, places: Mapping[str, str], **settings: Any) -> None:
        super().__init__(**settings)
        self.places = places

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the help."""
        return list(self.places)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, its module imported now; None where no command has it."""
        if cmd_name not in self.places:
            return None
        module, _, name = self.places[cmd_name].partition(":")
        command: click.Command = getattr(import_module(module), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that is meant by what was typed.

        :raises click.UsageError: there is none; names that are close to it are said.
        """
        try:
            return super().resolve_command(ctx, args)
        except click.NoSuchCommand as unknown:
            raise click.NoSuchCommand(unknown.command_name, possibilities=self.places, ctx=ctx) from None

    def invoke(self, ctx: click.Context) -> Any:
        """Read the rest of the command line and do what it says.

        :raises click.exceptions.Exit: Ctrl-C ended it, or whoever ends programs.
        """
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise click.exceptions.Exit(INTERRUPTED) from None


app = Program(COMMANDS, name="rig", help=HELP)


def main() -> None:
    """Run the command line; whatever goes wrong ends in one sentence and an exit code."""
    # what a start loads stays: the collector would look through all of it a few hundred times, for a tenth of the
    # start, and again at the end, when all of it goes anyway
    gc.set_threshold(COLLECTED_AFTER)
    atexit.register(gc.freeze)
    # matrices here are small: more threads take a processor while they start, and give nothing back
    for name in THREADS_OF_ALGEBRA:
        os.environ.setdefault(name, "1")
    _take_signals()
    try:
        app()
    except Exception as error:
        from rig.endings import exit_code, sentence

        if os.environ.get("RIG_TRACEBACK"):
            raise
        for line in (sentence(error), *getattr(error, "__notes__", ())):
            print(as_marks(line), file=sys.stderr)  # noqa: T201
        sys.exit(exit_code(error))


def _take_signals() -> None:
    """Whoever ends the program from outside ends it as Ctrl-C does: the source goes to 0 V first."""
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, _interrupted)


def _interrupted(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt

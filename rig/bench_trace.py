"""The trace of a bench while it is open, kept when a fault ends that."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.errors import DriverError
from drivers.trace import Trace
from rig.errors import BenchProblem, FileProblem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from drivers.clock import Clock


@contextmanager
def traced(
    clock: Clock, everything_to: Path | None, faults_to: Path | None, tell: Callable[[str], None] | None = None
) -> Iterator[Trace]:
    """Trace what happens in the block; when a fault of the bench ends it, keep the last minute and say where.

    Where the trace is, and what went wrong with it, is added to the error as a note.
    A file that ends early, for want of room, is told at the end.

    :param everything_to: file for every message.
    :param faults_to: folder for the last minute before a fault.
    :param tell: is told that the file ends early; nobody is when ``None``.
    :raises FileProblem: the file cannot be made.
    """
    try:
        trace = Trace(clock, everything_to)
    except OSError as error:
        raise FileProblem(
            f"The trace {everything_to} cannot be written ({error.strerror}): name a place where you may write."
        ) from None
    with ExitStack() as stack:
        stack.callback(_tell_of, trace, tell)
        stack.enter_context(trace)
        try:
            yield trace
        except (DriverError, BenchProblem) as error:
            if faults_to is not None:
                error.add_note(_kept(trace, faults_to / f"trace-{clock.utc():%Y%m%dT%H%M%S}.jsonl"))
            raise


def _tell_of(trace: Trace, tell: Callable[[str], None] | None) -> None:
    if trace.problem and tell is not None:
        tell(trace.problem)


def _kept(trace: Trace, path: Path) -> str:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        trace.keep(path)
    except OSError as error:
        return f"The messages of the last minute could not be kept in {path} ({error.strerror})."
    return f"The messages of the last minute are in {path}: read them with rig bench trace."

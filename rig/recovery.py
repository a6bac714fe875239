"""A bench that had trouble, told to its operator and brought back to where measuring can go on.

What was measured while an instrument did not stand as it was set is measured again: what began before the trouble
begins anew, a bounded number of times. What is in the record stays there.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, TypeVar

from drivers.errors import (
    DriverError,
    InstrumentError,
    LinkError,
    LinkLost,
    NoSignal,
    ProtectionTripped,
    ReplyError,
    SettingsLost,
    WrongIdentity,
)
from drivers.repeating import reopened, require_settings
from rig.errors import BenchDoubt

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.session import Session
    from rig.bench import Bench
    from rig.operators.port import Operator

T = TypeVar("T")

TRIES = 3
"""How often the same piece of work is begun."""
PASSING = (LinkError, InstrumentError, SettingsLost, ProtectionTripped, ReplyError, BenchDoubt)
"""Trouble that may be over when the bench has been set up anew."""


def passes(trouble: Exception) -> bool:
    """Whether trouble may be over when the bench has been set up anew."""
    return isinstance(trouble, PASSING) and not isinstance(trouble, WrongIdentity)


def attempt(bench: Bench, operator: Operator, what: str, work: Callable[[], T]) -> T:
    """Do a piece of work; after trouble that may pass, set the bench up anew and begin it again.

    The work counts only when no instrument was switched off and on in the course of it.

    :param what: the work, as the subject of a sentence.
    :raises DriverError, RigError: the last trouble, or one that does not pass.
    """
    for tries_left in reversed(range(TRIES)):
        try:
            done = work()
            require_sound(bench)
        except (DriverError, BenchDoubt) as trouble:
            tell_mishaps(bench, operator)
            if not (tries_left and passes(trouble)):
                raise
            begin_again(bench, operator, what, trouble)
            continue
        tell_mishaps(bench, operator)
        return done
    raise AssertionError("a piece of work ends in a result or in an error")


def begin_again(bench: Bench, operator: Operator, what: str, trouble: Exception) -> None:
    """Tell what happened, have a person look where only a person can, and set the bench up anew.

    :raises DriverError: the bench cannot be set up.
    """
    said = str(trouble).rstrip(".")
    if isinstance(trouble, NoSignal):
        operator.output_is_connected(f"{said}. After that {what} begins again.")
    else:
        operator.tell(f"{said}. The bench is set up anew, and {what} begins again.")
    restore(bench)


def restore(bench: Bench) -> None:
    """Bring every link in step, every error queue to empty and every instrument to its settings; source on at 0 V.

    :raises SourceNotSafe: somebody has to switch the source off by hand.
    :raises DriverError: an instrument does not answer, or does not take its settings.
    """
    bench.source.make_safe()
    for session in bench.sessions.values():
        _bring_back(session)
    bench.source.confine(bench.file.source.current_limit_a)
    bench.counter.configure()
    bench.source.set_voltage(0.0)
    bench.source.output_on()


def require_sound(bench: Bench) -> None:
    """See that no instrument was switched off and on since this was asked last.

    :raises SettingsLost: one was: what it read meanwhile means nothing.
    """
    for session in bench.sessions.values():
        require_settings(session)


def tell_mishaps(bench: Bench, operator: Operator) -> None:
    """Tell what went wrong on the links and was made good, each once."""
    for session in bench.sessions.values():
        while session.mishaps:
            operator.tell(session.mishaps.pop(0))


def _bring_back(session: Session) -> None:
    try:
        session.errors()
    except LinkLost:
        reopened(session)
        session.errors()
    with suppress(SettingsLost):
        require_settings(session)

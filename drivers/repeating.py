"""What may be done twice when the first time came to nothing: questions, and settings that mean the same twice.

An answer that was late, lost or garbled says nothing about what was asked, so it is asked once more, over a new link
where the old one is gone. Not repeated is what the instrument refused, and what has an effect each time.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from drivers.errors import (
    AnswerLate,
    DriverError,
    InstrumentError,
    LinkError,
    LinkLost,
    LinkRefused,
    SettingsLost,
    Unreadable,
    quoted,
)
from drivers.scpi import parse_nonnegative_integer
from drivers.session import Session

T = TypeVar("T")

POWER_ON = 128
"""Bit of the standard event register that is set when an instrument is switched on (IEEE 488.2-1992, 11.5.1.2.1)."""
PATIENCE_TIMEOUTS = 3.0
"""An instrument that comes up again is waited for so many times as long as for an answer."""
BETWEEN_ATTEMPTS_S = 0.5


def again(session: Session, call: Callable[[], T]) -> T:
    """Do something harmless, and once more if the first time came to nothing.

    What happened is kept in ``session.mishaps``, one sentence each time.

    :raises SettingsLost: the instrument was switched off and on meanwhile: nothing is repeated.
    :raises DriverError: the second time came to nothing as well, or the first to something that is not repeated.
    """
    try:
        return call()
    except DriverError as error:
        ready_again(session, error)
    return call()


def ready_again(session: Session, error: DriverError) -> None:
    """Bring the instrument back to where a question can be repeated, and note why.

    :raises DriverError: the error itself, where repeating would not help or might do harm.
    :raises SettingsLost: the instrument was switched off and on meanwhile.
    """
    reason = _reason(error)
    if not reason:
        raise error
    if isinstance(error, LinkLost):
        reopened(session)
    require_settings(session)
    session.mishaps.append(f"{session.name} was asked once more ({reason}), and the measurement went on.")


def reopened(session: Session) -> None:
    """Open a link anew, and wait for an instrument that is just coming up.

    :raises LinkRefused: nobody came.
    :raises WrongIdentity: another instrument answers.
    """
    deadline_s = session.clock.now() + PATIENCE_TIMEOUTS * session.timeout_s
    while True:
        try:
            session.reopen()
        except LinkRefused:
            if session.clock.now() >= deadline_s:
                raise
            session.clock.sleep(BETWEEN_ATTEMPTS_S)
            continue
        return


def require_settings(session: Session) -> None:
    """See that an instrument was not switched off and on since this was asked last (or since it was opened).

    One that has neither error queue nor event register cannot be asked, and passes.

    :raises SettingsLost: it was.
    :raises LinkError: it does not answer.
    """
    if not session.tells_power_on:
        return
    try:
        register = session.value("*ESR?", parse_nonnegative_integer)
    except LinkError as error:
        if isinstance(error, LinkLost):
            reopened(session)
        register = session.value("*ESR?", parse_nonnegative_integer)
    except (Unreadable, InstrumentError):
        # it does not know the question
        return
    if register & POWER_ON:
        raise _lost(session)


def _lost(session: Session) -> SettingsLost:
    return SettingsLost(
        f"{session.name} was switched off and on, and has lost its settings: see to its mains lead; it is set up anew"
    )


def _reason(error: DriverError) -> str:
    """Why something may be repeated, in words; empty where it may not."""
    match error:
        case AnswerLate():
            return "it did not answer in time"
        case LinkLost():
            return "its link was lost and opened anew"
        case Unreadable():
            return "its answer could not be read"
        case InstrumentError(entries=entries) if all(-500 < entry.code <= -300 for entry in entries):
            # -3xx is trouble of the instrument's own, -4xx of the exchange (SCPI-1999 volume 2, 21.8): no refusal
            return f"it complained of {quoted(entries)}"
    return ""

"""How a command ends: the exit code and the sentence for whatever went wrong."""

from __future__ import annotations

import errno

from db.errors import (
    BadAddress,
    Conflict,
    DatabaseError,
    Exposed,
    InvalidValue,
    KeyProblem,
    NewerSchema,
    NotAuthorised,
    NotFound,
)
from drivers.errors import DriverError, OutsideLimits
from rig.errors import BenchProblem, NoDecision, RigError, Stopped, WrongInput
from rig.science.conformity import Decision

PASS, FAIL, WRONG_INPUT, BENCH_FAULT, NO_DECISION = range(5)

_BY_DECISION = {
    Decision.PASS: PASS,
    Decision.CONDITIONAL_PASS: PASS,
    Decision.CONDITIONAL_FAIL: FAIL,
    Decision.FAIL: FAIL,
    Decision.NO_DECISION: NO_DECISION,
}
_BY_ERROR: tuple[tuple[type[Exception], int], ...] = (
    (WrongInput, WRONG_INPUT),
    (BenchProblem, BENCH_FAULT),
    (NoDecision, NO_DECISION),
    (Stopped, NO_DECISION),
    (OutsideLimits, WRONG_INPUT),
    (DriverError, BENCH_FAULT),
    (NotFound, WRONG_INPUT),
    (BadAddress, WRONG_INPUT),
    (Conflict, WRONG_INPUT),
    (InvalidValue, WRONG_INPUT),
    (NewerSchema, WRONG_INPUT),
    (NotAuthorised, WRONG_INPUT),
    (Exposed, WRONG_INPUT),
    (KeyProblem, WRONG_INPUT),
    (DatabaseError, BENCH_FAULT),
)


def exit_code_of(decision: Decision) -> int:
    """Exit code of a verdict."""
    return _BY_DECISION[decision]


def exit_code(error: Exception) -> int:
    """Exit code of an error."""
    return next((code for kind, code in _BY_ERROR if isinstance(error, kind)), BENCH_FAULT)


def sentence(error: Exception) -> str:
    """What to print for an error: its own sentence where it is one of ours."""
    if isinstance(error, RigError | DriverError | DatabaseError):
        return str(error)
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        where = error.filename or "the output"
        return f"The disk is full while writing {where}: make room; what was measured is in the database."
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename} cannot be used ({error.strerror}): check its place and its rights."
    return (
        f"The program met something that it does not know ({type(error).__name__}: {error}); the source was left safe "
        "and what was measured is kept. Please report it with the output of the same command under RIG_TRACEBACK=1."
    )

"""Errors of the rig itself, in one tree.

    RigError
      WrongInput            what a person typed, scanned or wrote in a file
        FileProblem         a product or bench file: which field, what is wrong, what would be right
        SerialProblem       a scanned serial that is not one
      BenchProblem          the bench cannot be trusted or used as it is
        BenchBusy           another program drives it
        StillOwed           its source may be on, and somebody has to switch it off by hand
        BenchDoubt          readings that no unit gives: the bench lies, and nothing may be said about the unit
          MaybeOff          nothing where a signal or a rail was: a lead came off, or the unit lost its power
      RecordProblem         the record holds something that this version cannot read
      NoDecision            the unit was measured, but nothing may be said about it
      UnitWasOff            the unit was switched off and on again: it must warm up anew
      Stopped               the operator ended the visit

Two more trees stand below this one, and are caught beside it at the command line: ``drivers.errors.DriverError``
and ``db.errors.DatabaseError``. Every message is one sentence for the person who reads it.
"""

from __future__ import annotations


class RigError(Exception):
    """Base of the rig's own errors."""


class WrongInput(RigError):
    """Something a person typed, scanned or wrote cannot be used."""


class FileProblem(WrongInput):
    """A product or bench file is missing or malformed."""


class SerialProblem(WrongInput):
    """A scanned or typed serial does not fit the product's format."""


class BenchProblem(RigError):
    """The bench cannot be trusted or used as it is."""


class BenchBusy(BenchProblem):
    """Another program drives the bench."""


class StillOwed(BenchProblem):
    """A source that was left on could not be made safe: somebody has to switch it off by hand."""


class BenchDoubt(BenchProblem):
    """Readings that cannot be those of a unit, whatever is wrong with it: the fault is the bench's."""


class MaybeOff(BenchDoubt):
    """Nothing is read where a signal or a rail was: a lead came off, or the unit has no power and cools."""


class RecordProblem(RigError):
    """The record holds something that cannot be read."""


class NoDecision(RigError):
    """The unit was measured, but no verdict may be given."""


class UnitWasOff(RigError):
    """The unit lost its power, or its lead, for so long that it has to warm up again."""


class Stopped(RigError):
    """The operator ended the visit."""

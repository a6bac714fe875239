"""Errors of the virtual bench, in one tree.

    DriverError
      VirtualBenchError
        WrongDescription    a [virtual] table, a population or a unit file: which field, what is wrong
        HandsRefused        something was to be turned, set or connected that is not there
        BenchAway           a virtual bench that is a process of its own does not run, or no longer

Instruments never raise: what is wrong with a message goes into their error queue, as on a real bench.
"""

from __future__ import annotations

from drivers.errors import DriverError


class VirtualBenchError(DriverError):
    """Base of the virtual bench's own errors."""


class WrongDescription(VirtualBenchError):
    """A [virtual] table, a population or a unit file cannot be used."""


class HandsRefused(VirtualBenchError, LookupError):
    """The hands were asked for something that this bench or unit does not have."""


class BenchAway(VirtualBenchError):
    """A virtual bench that is a process of its own does not run, or no longer."""

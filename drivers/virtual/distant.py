"""The program's end of a virtual bench that is a process of its own."""

from __future__ import annotations

import json
import socket
from datetime import datetime
from threading import Lock
from typing import TYPE_CHECKING, Self

from drivers.clock import RealClock
from drivers.virtual.control import away, read_address
from drivers.virtual.errors import HandsRefused

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.clock import Clock
    from drivers.virtual.control import Address, Plain

PATIENCE_S = 10.0


class ControlLine:
    """Asks the bench, one question after another. Safe for several threads."""

    def __init__(self, path: Path, address: Address) -> None:
        self._path = path
        self._lock = Lock()
        try:
            self._socket = socket.create_connection(("127.0.0.1", address.control_port), PATIENCE_S)
        except OSError:
            raise away(path) from None
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._answers = self._socket.makefile("rb")

    def call(self, name: str, *arguments: Plain) -> Plain:
        """Have something done, and return what came of it.

        :raises HandsRefused: the bench refused it; in its own words.
        :raises BenchAway: nobody answers.
        """
        line = json.dumps({"call": name, "arguments": arguments}).encode() + b"\n"
        with self._lock:
            try:
                self._socket.sendall(line)
                answer = self._answers.readline()
            except (OSError, ValueError):
                answer = b""
        if not answer:
            raise away(self._path)
        said = json.loads(answer)
        if "refused" in said:
            raise HandsRefused(said["refused"])
        value: Plain = said["value"]
        return value

    def number(self, name: str, *arguments: Plain) -> float:
        """The same where a number comes of it.

        :raises TypeError: something else came.
        """
        value = self.call(name, *arguments)
        if not isinstance(value, int | float):
            raise TypeError(f"the virtual bench answered {value!r} to {name}")
        return float(value)

    def close(self) -> None:
        """Hang up; a second time does nothing."""
        self._answers.close()
        self._socket.close()


class DistantClock:
    """The bench's own clock (:class:`drivers.clock.Clock`), asked over the control line."""

    def __init__(self, line: ControlLine) -> None:
        self._line = line

    def now(self) -> float:
        """Seconds since the bench was started."""
        return self._line.number("now")

    def sleep(self, duration_s: float) -> None:
        """Let time pass on the bench."""
        if duration_s > 0.0:
            self._line.call("sleep", duration_s)

    def utc(self) -> datetime:
        """Date and time of the bench, UTC."""
        return datetime.fromisoformat(str(self._line.call("utc")))


class DistantHands:
    """Hands (:class:`drivers.hands.Hands`) at the other end of the control line."""

    def __init__(self, line: ControlLine) -> None:
        self._line = line

    def insert(self, unit_serial: str) -> None:
        """Put a unit on the bench, without power."""
        self._line.call("insert", unit_serial)

    def power(self, on: bool) -> None:
        """Switch the unit's supply."""
        self._line.call("power", on)

    def turn(self, trim: str, turns: float) -> None:
        """Turn a trim, clockwise positive."""
        self._line.call("turn", trim, turns)

    def set_control(self, control: str, position: str) -> None:
        """Set a switch or knob."""
        self._line.call("set_control", control, position)

    def connect_meter(self, to: str) -> None:
        """Move the meter's lead."""
        self._line.call("connect_meter", to)


class DistantBench:
    """A virtual bench that another process serves. Close it, or use ``with``: the bench itself goes on.

    :param path: its address file.
    :raises BenchAway: it does not run.
    """

    outlives_program = True
    names_differ = False

    def __init__(self, path: Path) -> None:
        address = read_address(path)
        self.resources = dict(address.resources)
        self.line = ControlLine(path, address)
        self.hands = DistantHands(self.line)
        self.clock: Clock = RealClock() if address.clock == "real" else DistantClock(self.line)

    def close(self) -> None:
        """Hang up."""
        self.line.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exception: object) -> None:
        self.close()

"""A barcode scanner on a serial line (or one that pretends to be: USB with a virtual port).

Common practice: it sends what it read, ended by CR, LF, CR LF or TAB; some send no end at all, so a pause ends a
line as well. Nothing is ever sent to it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

import serial

from drivers.errors import LinkLost, LinkRefused
from drivers.link import SerialOptions

ENDS = b"\r\n\t"
LONGEST_LINE = 1024
PAUSE_S = 0.1
"""A line without an end is over when nothing more has come for this long."""
POLL_S = 0.05

_PARITIES = {"none": serial.PARITY_NONE, "odd": serial.PARITY_ODD, "even": serial.PARITY_EVEN}


class Scanner:
    """An open serial line on which a scanner sends lines, for one thread at a time.

    Open one with :meth:`open`; close it, or use ``with``.
    """

    def __init__(self, line: serial.Serial, now: Callable[[], float]) -> None:
        self._line = line
        self._now = now
        self._received = bytearray()
        self._received_s = now()

    @classmethod
    def open(cls, port: str, options: SerialOptions | None = None, now: Callable[[], float] = time.monotonic) -> Self:
        """Open a serial port.

        :param port: name of the port as the system calls it, for example ``/dev/ttyACM0`` or ``COM3``.
        :param options: baud rate, bits and parity as the scanner is set; 9600 8N1 by default.
        :raises LinkRefused: there is no such port, or it is in use, or its settings are impossible.
        """
        options = options if options is not None else SerialOptions()
        try:
            line = serial.Serial(
                port,
                baudrate=options.baud_rate,
                bytesize=options.data_bits,
                parity=_PARITIES[options.parity],
                stopbits=options.stop_bits,
                timeout=POLL_S,
                exclusive=True,
            )
        except (serial.SerialException, OSError, ValueError) as error:
            raise LinkRefused(
                f"The scanner at {port} cannot be opened ({error}): check its plug and the name of its port, "
                "or go on with the keyboard"
            ) from error
        return cls(line, now)

    @property
    def port(self) -> str:
        """Name of the port."""
        return str(self._line.port)

    @property
    def baud_rate(self) -> int:
        """Speed of the line, baud."""
        return int(self._line.baudrate)

    def read_line(self, timeout_s: float) -> str | None:
        """The next line, without its end; None when none is whole within the timeout. Empty lines are passed over.

        Bytes that are not ASCII come as U+FFFD, so that no line with one can be taken for a serial.

        :raises LinkLost: the scanner was unplugged.
        """
        ending_s = self._now() + timeout_s
        while True:
            line = self._taken()
            if line is not None:
                return line
            if self._now() >= ending_s:
                return None
            self._receive()

    def close(self) -> None:
        """Close the port; a second time does nothing."""
        self._line.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def _receive(self) -> None:
        try:
            # One byte is waited for, and what came along with it is taken at once.
            data = self._line.read(1)
            if data:
                data += self._line.read(self._line.in_waiting)
        except (serial.SerialException, OSError, TypeError) as error:
            # pyserial reads from None when the port is closed under it by another thread.
            raise LinkLost(
                f"The scanner at {self.port} is gone ({error}): plug it in again, or go on with the keyboard"
            ) from error
        if data:
            self._received += data
            self._received_s = self._now()

    def _taken(self) -> str | None:
        while self._received:
            place = next((index for index, byte in enumerate(self._received) if byte in ENDS), None)
            if place is None:
                over = len(self._received) > LONGEST_LINE or self._now() - self._received_s > PAUSE_S
                if not over:
                    return None
                place = len(self._received)
            text = bytes(self._received[:place]).decode("ascii", errors="replace").strip()
            del self._received[: place + 1]
            if text:
                return text
        return None

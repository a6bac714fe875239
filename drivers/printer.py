"""A printer: bytes out, by one of the ways that need no driver of its maker's.

Raw over the network (common practice: TCP, port 9100, the printer prints what comes and hangs up), raw over a serial
line, or through the print command of the operating system.
"""

from __future__ import annotations

import re
import shutil
import socket
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import serial

from drivers.errors import PrinterFault

if TYPE_CHECKING:
    from collections.abc import Callable

RAW_PORT = 9100
"""Common practice for raw printing; assigned as 'pdl-datastream' by IANA."""
CONNECT_S, SEND_S, HANG_UP_S = 3.0, 8.0, 2.0
COMMAND_S = 15.0
PRINT_COMMAND = "lp"
"""POSIX.1-2017, Shell and Utilities."""
BYTES_AT_ONCE = 1024
FORMS = "tcp://HOST, tcp://HOST:PORT, serial:PORT, serial:PORT@BAUD, lp:QUEUE or lp:"


class Printer(Protocol):
    """Whatever prints bytes."""

    def print_bytes(self, data: bytes, title: str) -> str:
        """Have them printed; one sentence on what became of them.

        :param title: what it is, for a queue that shows such things.
        :raises PrinterFault: they were not taken.
        """


@dataclass(frozen=True, slots=True)
class NetworkPrinter:
    """A printer that prints what is sent to its port."""

    host: str
    port: int

    @property
    def shown(self) -> str:
        """Address for people."""
        return f"tcp://{self.host}:{self.port}"

    def print_bytes(self, data: bytes, title: str) -> str:
        """Send everything, hang up this side, and wait a moment for the printer to do the same."""
        try:
            with socket.create_connection((self.host, self.port), CONNECT_S) as line:
                line.settimeout(SEND_S)
                line.sendall(data)
                line.shutdown(socket.SHUT_WR)
                confirmed = _hung_up(line)
        except TimeoutError:
            raise PrinterFault(
                f"The printer at {self.shown} does not take {title}: see whether it is on, has paper and is not busy"
            ) from None
        except OSError as error:
            raise PrinterFault(
                f"The printer at {self.shown} cannot be reached ({error.strerror or error}): see whether it is on and "
                "its address is right"
            ) from None
        doubt = "" if confirmed else "; the printer has not confirmed it, so see whether it came out"
        return f"Sent {title} to {self.shown}{doubt}."


def _hung_up(line: socket.socket) -> bool:
    """Whether the other side hangs up in a little while; what it says until then is no concern of ours."""
    ending_s = time.monotonic() + HANG_UP_S
    while (left_s := ending_s - time.monotonic()) > 0.0:
        line.settimeout(left_s)
        try:
            if not line.recv(BYTES_AT_ONCE):
                return True
        except TimeoutError:
            return False
    return False


@dataclass(frozen=True, slots=True)
class SerialPrinter:
    """A printer on a serial line."""

    port: str
    baud_rate: int

    @property
    def shown(self) -> str:
        """Address for people."""
        return f"serial:{self.port}@{self.baud_rate}"

    def print_bytes(self, data: bytes, title: str) -> str:
        """Send everything; a printer that holds the line back for too long has not taken it."""
        try:
            with serial.Serial(self.port, self.baud_rate, write_timeout=SEND_S, xonxoff=True, exclusive=True) as line:
                for start in range(0, len(data), BYTES_AT_ONCE):
                    line.write(data[start : start + BYTES_AT_ONCE])
                line.flush()
        except serial.SerialTimeoutException:
            raise PrinterFault(
                f"The printer at {self.shown} does not take {title}: see whether it is on, has paper and is not busy"
            ) from None
        except (serial.SerialException, OSError, ValueError) as error:
            raise PrinterFault(
                f"The printer at {self.shown} cannot be opened ({error}): check its plug and the name of its port"
            ) from None
        return f"Sent {title} to {self.shown}."


@dataclass(frozen=True, slots=True)
class QueuePrinter:
    """A queue of the operating system; the default one where it has no name."""

    queue: str

    @property
    def shown(self) -> str:
        """The queue for people."""
        return f"the print queue {self.queue}" if self.queue else "the default print queue"

    def print_bytes(self, data: bytes, title: str) -> str:
        """Hand everything to the print command."""
        command = shutil.which(PRINT_COMMAND)
        if command is None:
            raise PrinterFault(
                f"This system has no print command '{PRINT_COMMAND}': install one, or print over the network "
                "(tcp://HOST) or to a file (--out)"
            )
        named = ["-d", self.queue] if self.queue else []
        try:
            done = subprocess.run(
                [command, *named, "-t", title],
                input=data,
                capture_output=True,
                timeout=COMMAND_S,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise PrinterFault(f"{self.shown.capitalize()} does not take {title}: see whether it is stopped") from None
        except OSError as error:
            raise PrinterFault(f"The print command {command} cannot be run ({error.strerror})") from None
        if done.returncode != 0:
            said = " ".join(done.stderr.decode("utf-8", "replace").split())[:200] or f"exit code {done.returncode}"
            raise PrinterFault(f"{self.shown.capitalize()} did not take {title} ({said}): check its name and its state")
        return f"Sent {title} to {self.shown}."


def printer_at(address: str) -> Printer:
    """The printer behind an address: ``tcp://HOST[:PORT]``, ``serial:PORT[@BAUD]``, ``lp:QUEUE`` or ``lp:``.

    :raises ValueError: it is of none of these forms.
    """
    text = address.strip()
    for begin, make in _KINDS.items():
        if text.lower().startswith(begin):
            made = make(text[len(begin) :])
            if made is not None:
                return made
            break
    raise ValueError(f"{ascii(address)[:80]} is no address of a printer: write {FORMS}")


def _network(rest: str) -> Printer | None:
    match = re.fullmatch(r"(?P<host>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9_.-]+)(?::(?P<port>\d{1,5}))?/?", rest)
    if match is None:
        return None
    port = int(match["port"] or RAW_PORT)
    return NetworkPrinter(match["host"].strip("[]"), port) if 0 < port < 2**16 else None


def _serial(rest: str) -> Printer | None:
    port, _, baud = rest.rpartition("@") if "@" in rest else (rest, "", "9600")
    with suppress(ValueError):
        if port and 50 <= int(baud) <= 4_000_000:
            return SerialPrinter(port, int(baud))
    return None


def _queue(rest: str) -> Printer | None:
    return QueuePrinter(rest) if re.fullmatch(r"(?:[A-Za-z0-9_][A-Za-z0-9_.-]{0,126})?", rest) else None


_KINDS: dict[str, Callable[[str], Printer | None]] = {"tcp://": _network, "serial:": _serial, "lp:": _queue}

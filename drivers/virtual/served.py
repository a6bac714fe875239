"""A virtual bench as a process of its own: what a killed program leaves on stays on, as on a real bench.

Its instruments are on sockets or pseudo-terminals, its hands and its clock on a control line
(:mod:`drivers.virtual.control`), and where they all are stands in the address file that the bench file names.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tomllib
from contextlib import contextmanager
from threading import Event
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from drivers.virtual.bench import VirtualBench
from drivers.virtual.configuration import parse
from drivers.virtual.control import Address, write_address
from drivers.virtual.errors import HandsRefused, WrongDescription
from drivers.virtual.links.serving import Lines, TcpServer
from drivers.virtual.trouble import ROLES, Trouble

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from drivers.virtual.configuration import VirtualBenchConfiguration
    from drivers.virtual.control import Plain

_WAIT_S = 0.5


def description_of(bench_file: Path) -> VirtualBenchConfiguration:
    """The [virtual] table of a bench file, which must name an address file.

    :raises WrongDescription: the file cannot be read, or says nothing of a bench that is a process of its own.
    """
    try:
        table = tomllib.loads(bench_file.read_text(encoding="utf-8")).get("virtual")
    except (OSError, ValueError) as error:
        raise WrongDescription(f"The bench file {bench_file} cannot be read: {error}.") from None
    configuration = parse(table, bench_file.parent) if isinstance(table, dict) else None
    if configuration is None or configuration.process is None:
        raise WrongDescription(
            f"The bench file {bench_file} describes no virtual bench that is a process of its own: add "
            '[virtual] with process = "NAME", the file in which its addresses are to stand.'
        )
    return configuration


@contextmanager
def served(configuration: VirtualBenchConfiguration) -> Iterator[Address]:
    """Serve a virtual bench while in the block; its address file is there as long.

    :raises WrongDescription: unit or population file is wrong, it names no address file, that cannot be written, or
        another process serves this bench already.
    """
    path = configuration.process
    if path is None:
        raise WrongDescription("This virtual bench lives inside the program that opens it: it cannot be served.")
    with _alone(path), VirtualBench(configuration) as bench, _Control(bench) as control:
        address = Address(bench.resources, control.port, configuration.clock, os.getpid())
        try:
            write_address(path, address)
        except OSError as error:
            raise WrongDescription(
                f"The address file {path} cannot be written ({error.strerror}): name another place under process in "
                "the [virtual] table."
            ) from None
        try:
            yield address
        finally:
            path.unlink(missing_ok=True)


def serve_until_ended(configuration: VirtualBenchConfiguration, say: Callable[[str], object]) -> None:
    """Serve a virtual bench until SIGTERM or Ctrl-C.

    :param say: is told where the instruments are.
    :raises WrongDescription: see :func:`served`.
    """
    ended = Event()
    for name in ("SIGTERM", "SIGINT"):
        signal.signal(getattr(signal, name), lambda _number, _frame: ended.set())
    with served(configuration) as address:
        for role, resource in address.resources.items():
            say(f"{role}: {resource}")
        say(f"Serving as process {address.process_id} until Ctrl-C.")
        sys.stdout.flush()
        # on Windows a wait cannot be interrupted
        while not ended.wait(_WAIT_S):
            pass


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """See that nobody else serves under this address file."""
    lock = FileLock(path.with_name(f"{path.name}.lock"), timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise WrongDescription(f"Another process serves the virtual bench of {path} already: use that one.") from None
    except OSError as error:
        raise WrongDescription(
            f"The address file {path} cannot be written ({error.strerror}): name another place under process in "
            "the [virtual] table."
        ) from None
    with lock:
        yield


class _Control:
    """The control line of a bench."""

    def __init__(self, bench: VirtualBench) -> None:
        clock, hands = bench.clock, bench.hands
        self.calls: dict[str, Callable[..., Plain]] = {
            "now": clock.now,
            "sleep": clock.sleep,
            "utc": lambda: clock.utc().isoformat(),
            "trouble": lambda entry: bench.troubles.add(Trouble.model_validate(entry)),
            "at_the_source": bench.source.execute,
            "insert": hands.insert,
            "power": hands.power,
            "turn": hands.turn,
            "set_control": hands.set_control,
            "connect_meter": hands.connect_meter,
            "messages": lambda: sum(bench.troubles.of[role].messages for role in ROLES),
            "source": lambda: {
                "on": bench.source.on,
                "programmed_v": bench.source.programmed_v,
                "driven_v": bench.wiring.driven_v(),
            },
            "frequency_hz": bench.truth_frequency_hz,
            "rail_v": bench.truth_rail_v,
            "drift_cents_per_minute": bench.truth_drift_cents_per_minute,
        }
        self._server = TcpServer(lambda connection: _Conversation(self, connection), Event())
        self.port = self._server.port

    def __enter__(self) -> _Control:
        return self

    def __exit__(self, *_exception: object) -> None:
        self._server.close()

    def answer(self, line: str) -> dict[str, Plain]:
        """Do what one line asks for."""
        try:
            asked = json.loads(line)
            call, arguments = self.calls[asked["call"]], list(asked["arguments"])
        except (ValueError, LookupError, TypeError):
            return {"refused": f"The virtual bench does not understand {line[:80]!r}."}
        try:
            return {"value": call(*arguments)}
        except (HandsRefused, TypeError, ValueError) as error:
            return {"refused": str(error)}


class _Conversation:
    def __init__(self, control: _Control, connection: socket.socket) -> None:
        self._control = control
        self._connection = connection
        self._lines = Lines()

    def received(self, data: bytes) -> bool:
        for line in self._lines.feed(data):
            self._connection.sendall(json.dumps(self._control.answer(line)).encode() + b"\n")
        return True

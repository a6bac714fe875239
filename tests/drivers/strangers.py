"""Instruments that were not written here: pyvisa-sim's own devices, and servers built on a general SCPI library."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager

from pyvisa_sim.devices import Device
from pyvisa_sim.parser import get_devices
from scpipy.server import Router, Server
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

from drivers.virtual.clock import InstantClock
from drivers.virtual.links.direct import DirectLink


class SimulatedDevice:
    """A device of pyvisa-sim as a link serves it: its bytes, message by message."""

    def __init__(self, device: Device) -> None:
        self._device = device
        self.clock = InstantClock()
        self.received: list[str] = []

    def execute(self, message: str) -> str | None:
        self.received.append(message)
        try:
            self._device.write(message.encode("latin-1") + b"\n")
        except ValueError:
            # its third device stumbles over the state of its own output until that has been set once
            return None
        answer = b""
        while byte := self._device.read()[0]:
            answer += byte
        # one that has more than one thing to say says it in as many lines
        return answer.decode("latin-1").rstrip("\n") or None


@contextmanager
def simulated(number: int) -> Iterator[tuple[str, SimulatedDevice]]:
    """One of the devices that pyvisa-sim brings along, by its number there, where waiting for it costs no time."""
    devices = get_devices("default.yaml", bundled=True)
    names = {1: "TCPIP0::localhost::inst0::INSTR", 2: "GPIB0::9::INSTR", 3: "GPIB0::10::INSTR"}
    names |= {4: "GPIB0::4::INSTR", 5: "GPIB0::5::INSTR"}
    device = SimulatedDevice(devices[names[number]])
    link = DirectLink(device, clock=device.clock)
    try:
        yield link.resource, device
    finally:
        link.close()


def _number(text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ScpiException(DefaultScpiErrors.DATA_TYPE_ERROR.value) from None
    if not low <= value <= high:
        raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
    return value


class Bench:
    """What the servers of a meter and a counter know: settings, and what they measure."""

    def __init__(self) -> None:
        self.voltage_v = 1.234567
        self.frequency_hz = 440.0123
        self.range_v = 100.0
        self.automatic = True
        self.cycles = 1.0
        self.gate_s = 0.01
        self.level_v = 0.0
        self.samples = 1
        self.running_until_s = 0.0


def meter_router(bench: Bench) -> Router:
    """A DC voltmeter with range and integration time."""
    router = Router()

    @router.register("*IDN?")
    def identity(context: object) -> str:
        return "Invented Instruments,stranger voltmeter,17,0.3"

    @router.register("CONFigure:VOLTage[:DC]")
    def configure(context: object) -> None:
        bench.automatic, bench.cycles = True, 1.0

    @router.register("SENSe:VOLTage:DC:RANGe <value>")
    def take_range(context: object, value: str) -> None:
        wanted = _number(value, 0.0, 1000.0)
        bench.range_v, bench.automatic = next(each for each in (0.1, 1, 10, 100, 1000) if each >= wanted), False

    @router.register("SENSe:VOLTage:DC:RANGe?")
    def give_range(context: object) -> str:
        return f"{bench.range_v:E}"

    @router.register("SENSe:VOLTage:DC:NPLCycles <value>")
    def take_cycles(context: object, value: str) -> None:
        # takes three of them only, as many do
        if _number(value, 0.0, 100.0) not in (0.02, 1.0, 100.0):
            raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
        bench.cycles = float(value)

    @router.register("SENSe:VOLTage:DC:NPLCycles?")
    def give_cycles(context: object) -> str:
        return f"{bench.cycles:E}"

    @router.register("READ?")
    def read(context: object) -> str:
        return f"{bench.voltage_v:+.8E}"

    return router


def counter_router(bench: Bench) -> Router:
    """A counter whose gate is a time, and whose FETCh waits for it."""
    router = Router()

    @router.register("*IDN?")
    def identity(context: object) -> str:
        return "Invented Instruments,stranger counter,18,0.3"

    @router.register("SENSe:FUNCtion <name>")
    def function(context: object, name: str) -> None:
        if "FREQ" not in name.upper():
            raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)

    @router.register("SENSe:FREQuency:GATE:TIME <value>")
    def take_gate(context: object, value: str) -> None:
        bench.gate_s = _number(value, 1e-3, 10.0)

    @router.register("SENSe:FREQuency:GATE:TIME?")
    def give_gate(context: object) -> str:
        return f"{bench.gate_s:E}"

    @router.register("INPut:LEVel <value>")
    def take_level(context: object, value: str) -> None:
        bench.level_v = _number(value, -5.0, 5.0)

    @router.register("INPut:LEVel?")
    def give_level(context: object) -> str:
        return f"{bench.level_v:E}"

    def begin() -> None:
        bench.running_until_s = asyncio.get_running_loop().time() + bench.gate_s

    async def result() -> str:
        await asyncio.sleep(bench.running_until_s - asyncio.get_running_loop().time())
        return f"{bench.frequency_hz:.9E}"

    @router.register("INITiate")
    def initiate(context: object) -> None:
        begin()

    @router.register("FETCh?")
    async def fetch(context: object) -> str:
        return await result()

    @router.register("READ?")
    async def read(context: object) -> str:
        begin()
        return await result()

    return router


def free_port() -> int:
    """A port on the loopback address where nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    return port


@contextmanager
def served(router: Router, *, one_queue: bool, port: int = 0) -> Iterator[str]:
    """Serve a router on a port, a free one for 0; each connection has an error queue of its own, or all have one."""
    port = port or free_port()
    ready = threading.Event()
    loops: list[asyncio.AbstractEventLoop] = []

    @asynccontextmanager
    async def lifespan(_server: Server) -> AsyncIterator[None]:
        loops.append(asyncio.get_running_loop())
        ready.set()
        yield

    server = Server("127.0.0.1", port, shared_context=one_queue, lifespan=lifespan)
    server.include_router(router)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    assert ready.wait(5)
    _wait_for(port)
    try:
        yield f"TCPIP::127.0.0.1::{port}::SOCKET"
    finally:
        loops[0].call_soon_threadsafe(server.stop)
        thread.join(timeout=5)


def _wait_for(port: int) -> None:
    """Until somebody listens there."""
    for _ in range(500):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        threading.Event().wait(0.01)
    raise AssertionError(f"nobody listens on port {port}")

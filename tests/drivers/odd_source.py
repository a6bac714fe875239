"""A voltage source with two outputs and odd habits, as a device behind any link. All invented."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from drivers.clock import Clock, RealClock
from drivers.scpi import split_units

UNDEFINED = (-113, "Undefined header")
MISSING = (-109, "Missing parameter")


class Refused(Exception):
    """What the source has to say against a unit."""


@dataclass
class Output:
    """One output as it stands."""

    volts: float = 0.0
    on: bool = False
    amperes: float = 0.5


@dataclass
class OddSource:
    """What it does is what SCPI-1999 says, except for its habits.

    * ``listed``: every output is named in a list behind the parameters, and none is taken without.
    * ``sticks``: once it was switched on, its output does not go off.
    * ``dies``: it hangs up when it is switched on, and says nothing from then on.
    * ``no current limit``, ``fixed current limit``: it has none, or one that cannot be changed.
    * ``stands``: its level does not change.
    * ``echoes``: it says first what it was told.
    * ``prompts``, ``confirms``: it writes a prompt before its answers; it answers settings as well.
    * ``complains aloud``: it answers what it does not take.
    * ``restless queue``, ``queue in words``, ``no queue``: what it answers about errors.
    * ``no token``: it has no register that could be written.
    * ``no completion``: it is not asked whether it is ready.
    * ``single``: it takes one unit a message.
    * ``answers lists``: it answers a question whatever stands behind it, and takes no setting with a list.
    * ``slow``: it says for 0.3 s after it was switched that its output stands as before.
    * ``trips``: its voltage protection trips when its output goes on.
    * ``local``, ``silent in local``: it takes no setting of an output before it was put under remote control; the
      second says nothing about that.

    Each message costs it ``seconds`` of its ``clock``.
    """

    habits: frozenset[str] = frozenset()
    outputs: dict[int, Output] = field(default_factory=lambda: {1: Output(), 2: Output()})
    received: list[str] = field(default_factory=list)
    seconds: float = 0.0
    clock: Clock = field(default_factory=RealClock)
    _errors: list[tuple[int, str]] = field(default_factory=list)
    _enabled: int = 0
    _dead: bool = False
    _was_on: bool = False
    remote: bool = False
    tripped: bool = False
    _switched_s: float = 0.0

    def execute(self, message: str) -> str | None:
        if self._dead:
            raise ConnectionResetError
        self.received.append(message)
        self.clock.sleep(self.seconds)
        units = split_units(message)
        if "single" in self.habits and len(units) > 1:
            self._errors.append(UNDEFINED)
            return None
        answers = [] if "echoes" not in self.habits else [message]
        said = []
        for unit in units:
            try:
                answer = self._unit(unit.removeprefix(":"))
            except Refused as refused:
                self._errors.append(refused.args[0])
                said += ["ERROR"] if "complains aloud" in self.habits else []
                continue
            said += ["OK"] if answer is None and "confirms" in self.habits else []
            said += [] if answer is None else [answer]
        answers += [(">> " if "prompts" in self.habits else "") + ";".join(said)] if said else []
        return "\n".join(answers) if answers else None

    def _unit(self, unit: str) -> str | None:
        header, _, argument = unit.partition(" ")
        match header:
            case "*IDN?":
                return "Invented Instruments,odd source,19,0.4"
            case "*CLS":
                self._errors.clear()
            case "*OPC?" if "no completion" not in self.habits:
                return "1"
            case "*ESE" if "no token" not in self.habits:
                self._enabled = int(argument)
            case "*ESE?" if "no token" not in self.habits:
                return str(self._enabled)
            case "SYST:ERR?" if "no queue" not in self.habits:
                return self._next_error()
            case "SYST:REM" if {"local", "silent in local"} & self.habits:
                self.remote = True
            case _ if not self._passed_over(header):
                return self._of_an_output(header.removeprefix("SOUR:"), argument)
        return None

    def _passed_over(self, header: str) -> bool:
        if self.remote or header.endswith("?"):
            return False
        if "local" in self.habits:
            raise Refused((550, "Command not allowed in local"))
        return "silent in local" in self.habits

    def _next_error(self) -> str:
        if "restless queue" in self.habits:
            return '-350,"Queue overflow"'
        code, text = self._errors.pop(0) if self._errors else (0, "No error")
        return f"ERROR {code}: {text}" if "queue in words" in self.habits else f'{code},"{text}"'

    def _of_an_output(self, header: str, argument: str) -> str | None:
        named = re.search(r"[, ]*\(@(\d)\)$", f" {argument}")
        if "listed" in self.habits and named is None:
            raise Refused(MISSING)
        if "answers lists" in self.habits and header.endswith("?"):
            named = None
        if "listed" not in self.habits and named is not None:
            raise Refused((-108, "Parameter not allowed"))
        output = self.outputs[int(named.group(1)) if named else 1]
        value = f" {argument}"[: named.start()].strip() if named else argument
        limited = "no current limit" not in self.habits
        match header:
            case "VOLT?":
                return f"{output.volts:E}"
            case "VOLT":
                output.volts = output.volts if "stands" in self.habits else float(value)
            case "OUTP?":
                late = "slow" in self.habits and self.clock.now() < self._switched_s + 0.3
                return str(int(output.on is not late))
            case "VOLT:PROT:TRIP?" if "trips" in self.habits:
                return str(int(self.tripped))
            case "OUTP":
                self._switch(output, on=value in {"ON", "1"})
            case "CURR?" if limited:
                return f"{output.amperes:E}"
            case "CURR" if limited:
                output.amperes = output.amperes if "fixed current limit" in self.habits else float(value)
            case "MEAS:VOLT?":
                return f"{output.volts if output.on else 0.0:E}"
            case _:
                raise Refused(UNDEFINED)
        return None

    def _switch(self, output: Output, *, on: bool) -> None:
        if "sticks" in self.habits and self._was_on and not on:
            return
        self._switched_s = self.clock.now() if on is not output.on else self._switched_s
        self.tripped = self.tripped or (on and "trips" in self.habits)
        output.on = on and not self.tripped
        self._was_on = self._was_on or on
        if "dies" in self.habits and on:
            self._dead = True
            raise ConnectionResetError

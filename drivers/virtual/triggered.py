"""Readings that are triggered first and fetched later, as meters and counters take them.

Source: SCPI-1999 volume 1, chapter 5 and volume 2, chapters 3, 10, 16, 24 (CONFigure, FETCh, READ, MEASure,
SENSe, INITiate, SAMPle).
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Generic, TypeVar

from drivers.virtual.device import Device
from drivers.virtual.parameters import Number, Word, words
from drivers.virtual.personality import STANDARD, Personality
from drivers.virtual.scpi_errors import ScpiError
from drivers.virtual.status import Operation

if TYPE_CHECKING:
    from drivers.clock import Clock

PlanT = TypeVar("PlanT")
MOST_SAMPLES = 100_000


@dataclass(frozen=True, slots=True)
class Planned(Generic[PlanT]):
    """A reading that has been started: what it will be made of, and when it is over."""

    plan: PlanT
    ends_s: float


class TriggeredDevice(Device, Generic[PlanT]):
    """A device that reads after ``INITiate``; its readings are kept until the next one is started.

    :param unit: unit of its readings.
    """

    def __init__(
        self,
        clock: Clock,
        identity: tuple[str, str, str, str],
        latency_s: float,
        unit: str,
        personality: Personality = STANDARD,
    ) -> None:
        super().__init__(clock, identity, latency_s, personality)
        self._samples = 1
        self._started: list[Planned[PlanT]] = []
        self._read: str | None = None
        self.add("INITiate[:IMMediate]", self._initiate)
        self.add("ABORt", self._abort)
        self.add("FETCh?", self._fetch, unit=unit)
        self.add("READ?", self._initiate_and_fetch, unit=unit)
        self.add_number(
            "SAMPle:COUNt", Number(1, MOST_SAMPLES, 1, whole=True), self._take_samples, lambda: self._samples
        )
        immediate = words("IMMediate")
        self.add("TRIGger[:SEQuence]:SOURce", self._take_trigger_source, Word(immediate))
        self.add("TRIGger[:SEQuence]:SOURce?", lambda: "IMM")

    @abstractmethod
    def plan(self, start_s: float) -> Planned[PlanT]:
        """Start one reading at a time."""

    @abstractmethod
    def result(self, plan: PlanT) -> str:
        """The answer for a reading that is over."""

    def forget(self) -> None:
        """Drop readings: settings have changed, and they no longer mean what they seem to."""
        self._started, self._read = [], None
        self.busy_until_s = float("-inf")

    def configured(self) -> None:
        """CONFigure: one sample, nothing read yet."""
        self._samples = 1
        self.forget()

    def refresh(self) -> None:
        """Say whether a reading is going on."""
        measuring = self.clock.now() < self.busy_until_s
        self.status.operation.update(Operation.MEASURING if measuring else 0)

    def _initiate(self) -> None:
        if self.clock.now() < self.busy_until_s:
            raise ScpiError(-213)
        self._read = None
        self._started = []
        start_s = self.clock.now()
        for _ in range(self._samples):
            self._started.append(self.plan(start_s))
            start_s = self._started[-1].ends_s
        self.busy_until_s = start_s
        self.refresh()

    def _fetch(self) -> str:
        if not self._started:
            raise ScpiError(-230)
        if not self.personality.fetch_waits and self.clock.now() < self.busy_until_s:
            raise ScpiError(-230, "measurement under way")
        return self._result()

    def _result(self) -> str:
        self.wait()
        if self._read is None:
            self._read = ",".join(self.result(each.plan) for each in self._started)
        return self._read

    def _initiate_and_fetch(self) -> str:
        """READ? is ABORt, INITiate, FETCh? (SCPI-1999 volume 2, 3.5)."""
        self._abort()
        self._initiate()
        return self._result()

    def _abort(self) -> None:
        if self.clock.now() < self.busy_until_s:
            self.forget()
            self.refresh()

    def _take_samples(self, count: float) -> None:
        self._samples = int(count)

    def _take_trigger_source(self, _source: str) -> None:
        """The only trigger source here is the immediate one."""

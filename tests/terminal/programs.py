"""Small programs that the tests of the terminal run in it: the console with scripted readings and sights.

Run ``python -m tests.terminal.programs NAME ...``.
"""

from __future__ import annotations

import sys
import termios
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from math import isnan, nan
from pathlib import Path
from typing import TYPE_CHECKING

from rich.console import Console

import rig.operators.console
from fixtures import demonstration_product
from rig.errors import SerialProblem, Stopped
from rig.operators.console import ConsoleOperator
from rig.operators.desk import Burst
from rig.operators.port import MeterPlace, Seen, Sighting, Turn, WatchReading

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

TURN = Turn("scale", "SCALE", "8242.593 Hz (C9 -27.0 cents)", "the CV held at 8.00 V", -2.0, 4.0)
HELD = 4


@dataclass(slots=True)
class ScriptedWatch:
    """Distances in the order given, one every ``period_s``; the last one stays."""

    distances: Sequence[float]
    period_s: float = 0.03
    unit: str = "cents"
    tolerance: float = 0.5
    standard_uncertainty: float = 0.05
    inside: int = 0
    count: int = 0
    before: float = nan

    def read(self, *, turning: bool = False) -> WatchReading:
        time.sleep(self.period_s)
        distance = self.distances[min(self.count, len(self.distances) - 1)]
        self.count += 1
        if isnan(distance):
            self.inside = 0
            return WatchReading("no signal", nan, nan, nan, Seen.NO_SIGNAL)
        self.inside = self.inside + 1 if abs(distance) <= self.tolerance else 0
        seen = Seen.INSIDE if self.inside else Seen.NEARER if abs(distance) < abs(self.before) else Seen.STILL
        self.before = distance
        shown = f"{1000.0 - distance:.3f} Hz" if self.unit == "cents" else f"{10.0 - distance:.4f} V"
        return WatchReading(shown, 1000.0, distance, self.standard_uncertainty, seen, self.inside >= HELD)


@dataclass(slots=True)
class ScriptedSight:
    """Sightings in the order given, the last one stays."""

    sightings: Sequence[Sighting]
    every_s: float = 0.1
    began_s: float = field(default_factory=time.monotonic)

    def look(self) -> Sighting:
        index = int((time.monotonic() - self.began_s) / self.every_s)
        return self.sightings[min(index, len(self.sightings) - 1)]


def person(*, tone: bool = False) -> ConsoleOperator:
    return ConsoleOperator(Console(highlight=False, soft_wrap=True), tone_on=tone)


def turn(*distances: str) -> None:
    """Turn a trim through the distances."""
    print("ended:", person().turn(TURN, ScriptedWatch([float(each) for each in distances])).end.name)


def turn_slowly(*distances: str) -> None:
    """The same, with a fifth of a second between readings."""
    print("ended:", person().turn(TURN, ScriptedWatch([float(each) for each in distances], period_s=0.2)).end.name)


def turn_volts(*distances: str) -> None:
    """The same on the rail."""
    watch = ScriptedWatch([float(each) for each in distances], unit="V", tolerance=0.002, standard_uncertainty=0.0002)
    print("ended:", person().turn(TURN, watch).end.name)


def turn_with_tone(*distances: str) -> None:
    """The same with the tone on."""
    print("ended:", person(tone=True).turn(TURN, ScriptedWatch([float(each) for each in distances])).end.name)


def skip(*_arguments: str) -> None:
    """A turn that never gets there, with what was kept of it."""
    operator = person()
    print("ended:", operator.turn(TURN, ScriptedWatch([-40.0])).end.name)
    print("kept:", [each.reason for each in operator.skipped])


def prompts(*_arguments: str) -> None:
    """All prompts in the order of a visit."""
    operator = person()
    with operator.desk:
        operator.warn(["Mains: the supply stays closed.", "Polarity before power."])
        operator.connect_unit("DM26010001G", "")
        operator.connect_meter(MeterPlace.RAIL)
        operator.set_control("octave", "2")
        print("dead:", operator.output_is_connected("The counter sees no signal."))
        operator.close_case()
        print("through")


def prompts_after_a_scan(double_scan_s: str) -> None:
    """The same, of a unit whose label was scanned; how long a label counts once is given."""
    rig.operators.console.DOUBLE_SCAN_S = float(double_scan_s)
    operator = person()
    with operator.desk:
        operator.desk.on_bench = Burst("DM26010001G", operator.desk.now(), ended=True)
        operator.warn(["Mains: the supply stays closed."])
        operator.connect_unit("DM26010001G", "")
        operator.connect_meter(MeterPlace.RAIL)
        operator.set_control("octave", "0")
        operator.close_case()
        operator.set_control("octave", "2", ScriptedSight([Sighting(False, "octave switch changes nothing")]))
        print("through")


def returned(*_arguments: str) -> None:
    """A unit that is back: the reason by a number key, the complaint typed."""
    operator = person()
    with operator.desk:
        story = operator.why_returned("DM26010001G", ["out of tune", "drifts", "noisy or cutting out"])
    print(f"told: {story.reason} / {story.complaint}")


def control(*_arguments: str) -> None:
    """A switch that is first moved the wrong way."""
    sights = [
        Sighting(False, "octave stands at 0"),
        Sighting(False, "octave went to 3: one back"),
        Sighting(True, "octave stands at 2"),
    ]
    operator = person()
    operator.set_control("octave", "2", ScriptedSight(sights, every_s=0.4))
    print("through")


def blind_control(*_arguments: str) -> None:
    """A switch that the rig never sees."""
    operator = person()
    operator.set_control("octave", "2", ScriptedSight([Sighting(False, "no signal")]))
    print("through")


def sweep(*_arguments: str) -> None:
    """A stage that only shows its progress, for a second."""
    operator = person()
    with operator.desk:
        for point in range(20):
            operator.progress("as-found sweep", point, 20)
            time.sleep(0.05)
        operator.progress("as-found sweep", 20, 20)
        operator.connect_meter(MeterPlace.CV_JACK)
    print("through")


def scans(*ports: str) -> None:
    """Say what is scanned, until there is no more; a serial scanner may stand at a port."""
    from drivers.scanner import Scanner
    from rig.product import load_product
    from rig.scan import DeskScans, ScannerFeed

    operator = person()
    source = DeskScans(operator.desk, operator.screen, load_product(demonstration_product()).contents.serial)
    with ExitStack() as stack:
        stack.enter_context(operator.desk)
        for port in ports:
            stack.enter_context(ScannerFeed(partial(Scanner.open, port), operator.desk))
        while True:
            try:
                serial = source.next_scan()
            except SerialProblem as problem:
                operator.tell(f"refused: {problem}")
                continue
            if serial is None:
                break
            operator.screen.line(f"taken: {serial}")
    print("no more")


def work(seed: str, folder: str, *scanner: str) -> None:
    """The operator's loop on the virtual bench; the arrow keys turn the trims, and the slip printer is off."""
    from db.engine import open_database
    from drivers.source import VoltageLimits
    from fixtures import demonstration_bench
    from rig.bench import drawn_anew, load_bench, open_bench
    from rig.paper import Printed, PrinterTable
    from rig.product import load_product
    from rig.work import work_at_terminal

    product = load_product(demonstration_product())
    bench_file = drawn_anew(load_bench(demonstration_bench()), seed=int(seed), fault="")
    absolute = product.contents.range.absolute
    with (
        open_database(f"sqlite:///{folder}/record.sqlite") as database,
        open_bench(bench_file, VoltageLimits(absolute.low_v, absolute.high_v)) as bench,
    ):
        console = Console(highlight=False, soft_wrap=True)
        shift = work_at_terminal(
            bench,
            bench_file,
            product,
            database,
            console,
            who="newcomer",
            out=Path(folder),
            scanner_port="".join(scanner),
            printer=PrinterTable(slip="serial:/dev/no-such-port", after_verdict=(Printed.SLIP,)),
        )
        state = f"{'on' if bench.source.is_on() else 'off'} {bench.source.programmed()}"
        # The terminal may be gone by now.
        Path(folder, "source").write_text(state, encoding="utf-8")
        print("source:", state)
    print("interrupted" if shift.interrupted else "ended")


def noted(note: str, name: str, *arguments: str) -> None:
    """Run another program and note in a file how it ended: its terminal may be gone by then."""
    try:
        PROGRAMS[name](*arguments)
    except Stopped as stopped:
        Path(note).write_text(f"Stopped: {stopped}", encoding="utf-8")
        raise


PROGRAMS: dict[str, Callable[..., None]] = {
    each.__name__: each
    for each in (
        turn, turn_slowly, turn_volts, turn_with_tone, skip, prompts, prompts_after_a_scan, control, blind_control,
        sweep, scans, work, noted, returned,
    )
}  # fmt: skip


def main() -> int:
    """Run a program; say how it ended and whether the terminal is as it was."""
    name, *arguments = sys.argv[1:]
    on_terminal = sys.stdin.isatty()
    before = termios.tcgetattr(sys.stdin) if on_terminal else []
    code = 0
    try:
        PROGRAMS[name](*arguments)
    except Stopped as stopped:
        code = 4
        print("stopped:", stopped)
    except KeyboardInterrupt:
        code = 130
        print("interrupted")
    if on_terminal:
        print("terminal:", "as before" if termios.tcgetattr(sys.stdin) == before else "CHANGED")
    return code


if __name__ == "__main__":
    sys.exit(main())

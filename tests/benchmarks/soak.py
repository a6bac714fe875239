"""Figure: visits one after another with random trouble of the bench; memory, threads, sockets, files.

Run ``python -m tests.benchmarks.soak [--visits 500] [--seed 1]``.

The operator's loop runs in this process, on a virtual bench in a process of its own; so what grows here is the rig's.
Each visit has one trouble at a random message: a link's, an instrument's or the computer's. The bench is asked
what its instruments can do first. One unit in five is adjusted, the others are checked; one in ten gets its slip and
plot.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import os
import random
import re
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
from scipy.stats import poisson

from db.engine import open_database
from drivers.source import VoltageLimits
from drivers.virtual.distant import DistantBench
from drivers.virtual.trouble import ROLES, Kind, kinds_of
from fixtures import demonstration_product
from rig.bench import load_bench, open_bench
from rig.bench_check import check_bench
from rig.kept_visit import read_visit
from rig.operators.virtual import VirtualOperator
from rig.product import load_product
from rig.reports.keep import keep_reports
from rig.science.conformity import Decision
from rig.visit import Purpose, Request, run_visit
from rig.work import Calls, recover_bench, work
from tests.benchmarks.kills.bench import Truth, served_place, truths_of
from tests.benchmarks.verdicts import PASSED, wrong_statements

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.bench import Bench
    from rig.visit import Visit
    from rig.work import Shift
    from tests.benchmarks.kills.bench import Place

LIMIT_MIB = 5.0
WARM = 50
"""Visits after which nothing is made for the first time any more."""
NEAR = 10
"""Visits over which a median is taken at either end."""
ADJUSTED_EVERY = 5
REPORTED_EVERY = 10
TIMEOUT_S = 0.15
LATE_S = 0.4
SURPRISE = 0.01
LAST_MESSAGE = 1500
"""Troubles begin before so many messages to their instrument."""
MIB = 2.0**20


@dataclass(frozen=True, slots=True)
class Standing:
    """What this process holds.

    :param memory_mib: resident memory that is in use.
    :param kept_mib: the same with what the allocator had kept free for later.
    """

    memory_mib: float
    kept_mib: float
    threads: int
    files: int
    sockets: int


def standing() -> Standing:
    """What this process holds now, after a collection of garbage."""
    gc.collect()
    process = psutil.Process()
    kept_mib = process.memory_info().rss / MIB
    _give_back_what_is_free()
    return Standing(
        memory_mib=process.memory_info().rss / MIB,
        kept_mib=kept_mib,
        threads=threading.active_count(),
        files=process.num_fds(),
        sockets=len(process.net_connections(kind="all")),
    )


def _give_back_what_is_free() -> None:
    """Let the allocator hand free memory back, where it can: what is free has not leaked."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if os.name == "posix" else None
    if trim is not None:
        trim(0)


@dataclass(slots=True)
class Soak:
    """A soak while it lasts: gives the serials, has the visits made, and looks around between them."""

    bench: Bench
    draw: random.Random
    visits: int
    serials: list[str] = field(default_factory=list)
    standings: list[Standing] = field(default_factory=list)
    faults: Counter[str] = field(default_factory=Counter)
    judged: set[str] = field(default_factory=set)
    wrong: list[str] = field(default_factory=list)
    stated_risk: float = 0.0
    """How many wrong statements are to be expected by what the findings that let a unit pass say of their own risk."""
    to_be_switched_off: bool = False
    by_hand: int = 0
    unsafe: int = 0

    def next_scan(self) -> str | None:
        """The next unit, for which some trouble is laid out."""
        assert isinstance(self.bench.provider, DistantBench)
        line = self.bench.provider.line
        if self.to_be_switched_off:
            # the person does what was asked for: the knob at the instrument, past its link
            line.call("at_the_source", "*RST")
            self.to_be_switched_off, self.by_hand = False, self.by_hand + 1
        self.unsafe += not Truth(self.bench.provider).is_safe()
        self.standings.append(standing())
        if len(self.serials) == self.visits:
            return None
        role = self.draw.choice([*ROLES, *ROLES, "computer"])
        kind = self.draw.choice(kinds_of(role))
        trouble = {
            "role": role,
            "kind": kind.value,
            "message": self.draw.randint(1, LAST_MESSAGE),
            "messages": self.draw.choice([1, 1, 2, 5]),
            "amount": LATE_S if kind is Kind.LATE else None,
        }
        line.call("trouble", trouble)
        self.serials.append(f"DM2600{len(self.serials):04d}")
        return self.serials[-1]

    def longest_trouble(self) -> int:
        """Most visits in a row without a verdict."""
        longest = row = 0
        for serial in self.serials:
            row = 0 if serial in self.judged else row + 1
            longest = max(longest, row)
        return longest

    def tell(self, said: str) -> None:
        """Hear what is told during a visit."""
        self.to_be_switched_off |= "switch its output off by hand" in said

    def tell_between(self, said: str) -> None:
        """Hear what is told between visits; count faults, whatever the numbers and addresses in them."""
        self.tell(said)
        if not said.startswith("Unit "):
            self.faults[re.sub(r"'[^']*'|[-+]?\d[\w.:]*|DM\w+", "#", said)] += 1

    def judge(self, visit: Visit) -> None:
        """Hold a verdict against the truth."""
        assert isinstance(self.bench.provider, DistantBench)
        truths = truths_of(Truth(self.bench.provider))
        self.judged.add(self.serials[-1])
        self.wrong += [f"{visit.serial}: {each}" for each in wrong_statements(visit, truths)]
        self.stated_risk += sum(
            each.risk or 0.0
            for each in visit.findings
            if each.characteristic in truths and (each.decision is Decision.PASS or visit.verdict.decision in PASSED)
        )

    def as_wrong_as_stated(self) -> bool:
        """Whether so many wrong statements are no surprise where so few are to be expected (Poisson, 1 %)."""
        return float(poisson.sf(len(self.wrong) - 1, self.stated_risk)) >= SURPRISE


def soak(place: Place, visits: int, seed: int) -> tuple[Soak, Shift, float]:
    """Visits one after another; also how long they took on the bench's clock, s."""
    text = place.bench.read_text(encoding="utf-8")
    for role in ("source", "meter", "counter"):
        text = text.replace(f"[{role}]\n", f"[{role}]\ntimeout_s = {TIMEOUT_S}\n", 1)
    place.bench.write_text(text, encoding="utf-8")
    # a bench that was asked knows how its source lets go of a protection that tripped
    check_bench(load_bench(place.bench), lambda _asked: None)
    bench_file, product = load_bench(place.bench), load_product(demonstration_product())
    check = product.contents.serial.with_check_character
    with (
        open_database(f"sqlite:///{place.database}") as database,
        open_bench(bench_file, VoltageLimits(-0.5, 8.5)) as bench,
    ):
        going = Soak(bench, random.Random(seed), visits)
        assert bench.hands is not None
        operator = VirtualOperator(bench.hands, bench.clock, seed, say=going.tell)

        def finish(visit: Visit) -> None:
            going.judge(visit)
            if len(going.serials) % REPORTED_EVERY == 1:
                record = read_visit(database, visit.serial, visit.visit_id)
                keep_reports(visit, product.contents, record, place.folder / "slips")

        def visit(serial: str) -> Visit:
            purpose = Purpose.ADJUST if len(going.serials) % ADJUSTED_EVERY == 0 else Purpose.CHECK
            request = Request(check(serial), purpose, "soak", seed=seed)
            return run_visit(bench, bench_file, product, operator, database, request)

        calls = Calls(
            visit=visit,
            finish=finish,
            recover=lambda met: recover_bench(bench, met),
            tell=going.tell_between,
            now=bench.provider.clock.utc,
        )
        began_s = bench.clock.now()
        shift = work(going, database, calls)
        return going, shift, bench.clock.now() - began_s


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figure; exit code 1 when it is not reached."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    before, began_s = standing(), time.monotonic()
    with tempfile.TemporaryDirectory() as folder, served_place(Path(folder), options.seed) as place:
        os.environ.update(place.environment)
        going, shift, bench_s = soak(place, options.visits, options.seed)
    after = replace(standing(), memory_mib=0.0)
    warm = min(WARM, options.visits // 2)
    first, last = going.standings[warm : warm + NEAR], going.standings[-NEAR:]
    early, late = (statistics.median(each.memory_mib for each in some) for some in (first, last))
    inside = going.standings[warm:]
    print(f"{shift.sentence()} {bench_s / 3600.0:.1f} h of bench time in {time.monotonic() - began_s:.0f} s")
    print(f"memory {early:.1f} MiB after {warm} visits, {late:.1f} MiB at the end: {late - early:+.1f} MiB")
    kept = [statistics.median(each.kept_mib for each in some) for some in (first, last)]
    print(f"  with what the allocator keeps free: {kept[0]:.1f} MiB, {kept[1]:.1f} MiB: {kept[1] - kept[0]:+.1f} MiB")
    for name in ("threads", "files", "sockets"):
        held = [getattr(each, name) for each in inside]
        ends = f"{getattr(before, name)} before, {getattr(after, name)} after"
        print(f"{name}: {min(held)} to {max(held)} between visits; {ends}")
    print(f"source left on without a word: {going.unsafe}; to be switched off by hand, and said so: {going.by_hand}")
    print(f"wrong statements: {len(going.wrong)}; by their own risk {going.stated_risk:.2f} are to be expected")
    for each in going.wrong:
        print(f"  {each}")
    print(f"most visits in a row that came to nothing: {going.longest_trouble()}")
    print("faults told:")
    for said, count in going.faults.most_common(12):
        print(f"  {count:4d}  {said[:150]}")
    flat = late - early <= LIMIT_MIB
    leaked = any(getattr(after, name) > getattr(before, name) for name in ("threads", "sockets"))
    reached = flat and not leaked and not going.unsafe and going.as_wrong_as_stated()
    print("reached" if reached else "NOT reached")
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main())

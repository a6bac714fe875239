"""Figure: what comes in from outside, mutated and at random: typed errors only, and never a hang.

Run ``python -m tests.benchmarks.fuzz [--replies 1000000] [--files 100000] [--scans 100000] [--seed 0]``. Replies go
through every parser of instrument answers, files through the loaders of bench and product files, scans through
everything that stands between a scanner and a serial.
"""

from __future__ import annotations

import argparse
import math
import random
import signal
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from drivers.dialect import LinkDialect
from drivers.error_forms import parse_error_number, parse_event_register, parse_unquoted_error_entry
from drivers.errors import ReplyError
from drivers.scpi import (
    count_queries,
    parse_block,
    parse_boolean,
    parse_error_entry,
    parse_identity,
    parse_nonnegative_integer,
    parse_number,
    parse_numbers,
    parse_string,
    split_units,
)
from drivers.tokens import Tokens
from fixtures import FOLDER, demonstration_product
from rig.bench import BenchFile, load_bench
from rig.errors import FileProblem, SerialProblem
from rig.operators.desk import Burst, Press
from rig.operators.keys import Key
from rig.product import Product, load_product
from rig.scan import ScanLine, one_serial
from rig.scanned import clean_scan
from rig.tomlfile import check

LONGEST_CASE_S = 5.0
REPLIES = (
    b"+1.25000000E+00", b"-3.5", b"440.0123 HZ", b"12.5 mV", b"9.9E37", b"9.91E+37", b"-9.9E37", b"1,2,3.5E-3",
    b'0,"No error"', b'-113,"Undefined header;OUTPP"', b'-222,"Data out of range";17', b"0, No Error", b"-350", b"1",
    b"ON", b"#H1F", b"#Q17", b"#B101", b"#15hello", b"#210helloworld\n", b"Maker,Model,123,1.0", b"Maker,Model,1.0",
    b"17;Maker,Model,123,1.0", b"+1.5E0;18", b'"a ""quoted"" string"', b"'single'", b"255", b"+128", b"", b"\r",
)  # fmt: skip
PIECES = (
    b"9.9E37", b"E", b"E+999999999", b"e-400", b"#", b"#9999999999", b'"', b"'", b";", b",", b"\x00", b"\xff", b"\n",
    b"0" * 400, b"nan", b"inf", b"-", b"+", b".", b"\xb2", b"\xd9\xa1", b"_", b" ", b"V", b"MHZ", b"1" * 5000,
    b"9" * 70,
)  # fmt: skip
LEAVES: tuple[object, ...] = (
    0, -1, 1, 10**400, -(10**30), 2**63, 0.0, -0.0, 1e308, -1e308, 5e-324, math.inf, -math.inf, math.nan, True, False,
    "", " ", "x", "x" * 5000, "\x00", "(", "{source}", "{0}", "{}", "{source", "(?P<batch>", "((a+)+)+$", [], [[]],
    [1, 2], {}, {"a": 1}, None, "2026-13-45", "\u0663",
)  # fmt: skip
SCANS = (
    "DM26010001G", "dm26010001g", "DM26010001GDM26010001G", "STOP", "S", "", " DM26010001G\r\n", "DM2601",
    "A12425GABC1234002M",
)  # fmt: skip
SCAN_PIECES = (
    "DM26010001G", "\x1b[31m", "\x00", "\n", "\r", "\t", "\u0663", "\u00df", "\u202e", "\ufeff", " ", "0" * 70, "G",
    "dm", "\U0001f600",
)  # fmt: skip


class Hang(Exception):
    """A case took longer than any may."""


@contextmanager
def _watched() -> Iterator[None]:
    def ring(_signal: int, _frame: object) -> None:
        raise Hang(f"longer than {LONGEST_CASE_S:g} s")

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_CASE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


@dataclass(frozen=True, slots=True)
class Tally:
    """How the cases ended, and those that ended as none may."""

    ended: Counter[str]
    violations: tuple[str, ...]


def mutated(generator: random.Random, data: bytes, pieces: tuple[bytes, ...]) -> bytes:
    """Some bytes changed, left out, doubled, or put in from a list of nasty ones."""
    text = bytearray(data)
    for _ in range(generator.choice((0, 1, 1, 1, 2, 3, 6))):
        place = generator.randrange(len(text) + 1)
        match generator.randrange(6):
            case 0:
                text[place:place] = generator.choice(pieces)
            case 1:
                text[place : place + 1] = bytes([generator.randrange(256)])
            case 2:
                del text[place : place + generator.randrange(1, 8)]
            case 3:
                text = text[:place]
            case 4:
                text[place:place] = text[place : place + generator.randrange(1, 12)]
            case _:
                text[place : place + 1] = (
                    bytes([text[place] ^ (1 << generator.randrange(8))]) if place < len(text) else b""
                )
    return bytes(text)


def fuzz_replies(seed: int, count: int) -> Tally:
    """Replies through the parsers."""
    generator = random.Random(f"replies {seed}")
    tokens = Tokens(LinkDialect())
    tokens.around("MEAS:VOLT?")
    parsers: tuple[Callable[[str], object], ...] = (
        partial(parse_number, unit="V"), parse_number, partial(parse_numbers, unit="HZ"), parse_boolean,
        parse_nonnegative_integer, parse_string, parse_error_entry, parse_identity, partial(parse_identity, fields=3),
        split_units, count_queries, parse_unquoted_error_entry, parse_error_number, parse_event_register, tokens.behind,
        tokens.ahead,
    )  # fmt: skip

    def case() -> str:
        random_bytes = generator.random() < 0.15
        data = generator.randbytes(generator.randrange(40)) if random_bytes else generator.choice(REPLIES)
        data = mutated(generator, data, PIECES)
        if generator.random() < 0.06:
            return _parsed(parse_block, data)
        return _parsed(generator.choice(parsers), data.decode("latin-1"))

    return _tally(case, count)


def _parsed(parse: Callable[..., object], given: str | bytes) -> str:
    try:
        value = parse(given)
    except ReplyError as error:
        _require_a_sentence(error)
        return type(error).__name__
    numbers = value if isinstance(value, tuple) else (value,)
    if any(isinstance(each, float) and not math.isfinite(each) for each in numbers):
        raise AssertionError(f"{given!r} was read as {value!r}")
    return "read"


def fuzz_files(seed: int, count: int) -> Tally:
    """Bench and product files: their bytes mutated, and their values."""
    generator = random.Random(f"files {seed}")
    benches = [path.read_bytes() for path in sorted((FOLDER / "benches").glob("*.toml"))]
    products = [path.read_bytes() for path in sorted((FOLDER / "products").glob("*.toml"))]
    pieces = (
        *PIECES,
        b"[[",
        b"]",
        b"=",
        b"\n[source]\n",
        b"'''",
        b'"""',
        b"{",
        b"[" * 2000,
        b"# ",
        b"\xef\xbb\xbf",
        b"1" * 4400,
    )

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file.toml"

        def case() -> str:
            is_bench = generator.random() < 0.5
            data = generator.choice(benches if is_bench else products)
            try:
                if generator.random() < 0.5:
                    path.write_bytes(mutated(generator, data, pieces))
                    _ = load_bench(path) if is_bench else load_product(path)
                else:
                    raw = tomllib.loads(data.decode())
                    for _ in range(generator.choice((1, 1, 2, 3))):
                        _change_a_leaf(generator, raw)
                    _ = check(raw, BenchFile, "bench file x") if is_bench else check(raw, Product, "product file x")
            except FileProblem as error:
                _require_a_sentence(error)
                return "FileProblem"
            return "taken"

        return _tally(case, count)


def _change_a_leaf(generator: random.Random, raw: dict[str, object]) -> None:
    """Put a nasty value in place of one in the tree, take one away, or add one."""
    table: dict[str, object] = raw
    while True:
        name = generator.choice(list(table) or ["new"])
        below = table.get(name)
        if not isinstance(below, dict) or generator.random() < 0.25:
            break
        table = below
    match generator.randrange(8):
        case 0:
            table.pop(name, None)
        case 1:
            table[f"{name}_more"] = generator.choice(LEAVES)
        case 2 if isinstance(below, list):
            table[name] = [*below, generator.choice(LEAVES)]
        case _:
            table[name] = generator.choice(LEAVES)


def fuzz_scans(seed: int, count: int) -> Tally:
    """Scans: what a scanner or a hand may send."""
    generator = random.Random(f"scans {seed}")
    serials = load_product(demonstration_product()).contents.serial

    def case() -> str:
        text = generator.choice(SCANS)
        for _ in range(generator.choice((0, 1, 1, 2, 4))):
            place = generator.randrange(len(text) + 1)
            put = generator.choice((generator.choice(SCAN_PIECES), chr(generator.randrange(0x250)), text[:place], ""))
            text = text[:place] + put + text[place + generator.randrange(3) :]
        if generator.random() < 0.1:
            text = generator.randbytes(generator.randrange(90)).decode("latin-1")
        try:
            match generator.randrange(4):
                case 0:
                    batch = serials.batch_of(clean_scan(text))
                case 1:
                    line = ScanLine()
                    taken = [line.take(Press(each, 0.0)) for each in text[:90]]
                    ended = [each for each in taken if each] or [line.take(Press(Key.ENTER, 0.0))]
                    batch = serials.batch_of(clean_scan(ended[0] or ""))
                case 2:
                    burst = ScanLine().take(Burst(text, 0.0, ended=True))
                    batch = serials.batch_of(one_serial(burst or "", serials))
                case _:
                    batch = serials.batch_of(one_serial(text, serials))
        except SerialProblem as error:
            _require_a_sentence(error)
            return "SerialProblem"
        # a key that prints nothing puts nothing on the line
        if batch not in "".join(each for each in text.upper() if each.isprintable()):
            raise AssertionError(f"{text!r} was taken for batch {batch!r}")
        return "taken"

    return _tally(case, count)


def _require_a_sentence(error: Exception) -> None:
    """Short enough for a line or two, without a control character."""
    said = str(error)
    if not said or len(said) > 700 or any(ord(each) < 32 for each in said):
        raise AssertionError(f"no sentence: {said[:200]!r}")


def _tally(case: Callable[[], str], count: int) -> Tally:
    ended: Counter[str] = Counter()
    violations: list[str] = []
    with _watched():
        for number in range(count):
            if number % 16 == 0:
                signal.setitimer(signal.ITIMER_REAL, LONGEST_CASE_S)
            try:
                ended[case()] += 1
            except Exception as error:  # noqa: BLE001  whatever is not typed is what is looked for
                violations.append(f"case {number}: {type(error).__name__}: {str(error)[:200]}")
    return Tally(ended, tuple(violations))


PARTS: dict[str, Callable[[int, int], Tally]] = {"replies": fuzz_replies, "files": fuzz_files, "scans": fuzz_scans}


def _one(task: tuple[str, int, int]) -> tuple[str, Tally]:
    part, seed, count = task
    return part, PARTS[part](seed, count)


def main() -> None:
    """Run the figure and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--replies", type=int, default=1_000_000)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--scans", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    wanted = {"replies": chosen.replies, "files": chosen.files, "scans": chosen.scans}
    lots = 20
    tasks = [(part, lots * chosen.seed + lot, total // lots) for part, total in wanted.items() for lot in range(lots)]
    began = time.perf_counter()
    with get_context("spawn").Pool(chosen.processes) as pool:
        results = pool.map(_one, tasks, chunksize=1)
    for part in wanted:
        tallies = [tally for name, tally in results if name == part]
        ended = sum((tally.ended for tally in tallies), Counter())
        violations = [each for tally in tallies for each in tally.violations]
        cases = ended.total() + len(violations)
        print(f"{part}: {cases} cases, {dict(ended.most_common())}, {len(violations)} violations")
        for each in violations[:20]:
            print(f"  {each}")
    print(f"seed {chosen.seed}; {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

"""Commands that put a unit on the bench: the demonstration, a check, the operator's loop, a live look."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import (
    INTERRUPTED,
    NUMBER,
    PATH,
    FiniteRange,
    WholeRange,
    json_option,
    operator_option,
    product_option,
    serial_argument,
)
from rig.commands_safety import bench_option, typed_bench_safe_first
from rig.marks import on_screen

if TYPE_CHECKING:
    from rig.bench import BenchFile
    from rig.product import Product
    from rig.tomlfile import Loaded
    from rig.visit import Request

seed_option = click.option(
    "--seed", type=WholeRange(0), default=1, show_default=True, help="Which unit and bench are drawn."
)
out_option = click.option("--out", type=PATH, help="Folder for slip and plot. Default: in your data folder.")
ambient_option = click.option("--ambient", type=FiniteRange(-20.0, 60.0), help="Room temperature in degrees Celsius.")
trace_option = click.option("--trace", type=PATH, help="File for every message to and from the instruments.")
timing_option = click.option("--timing", is_flag=True, help="Say where the bench time went.")


@click.command()
@seed_option
@click.option("--fault", default="", help="Draw a unit with this fault (see rig demo --faults).")
@click.option("--faults", is_flag=True, help="List the faults that can be drawn, and stop.")
@json_option
@timing_option
@out_option
@click.option(
    "--history",
    type=WholeRange(1),
    help="Instead: fill a database of its own with about so many invented visits.",
)
@click.option("--into", default="", help="With --history: file or database URL; it must hold no real visit.")
def demo(
    seed: int,
    fault: str,
    faults: bool,
    as_json: bool,
    timing: bool,
    out: Path | None,
    history: int | None,
    into: str,
) -> None:
    """Run the main job on the virtual bench: an invented unit, a virtual operator who turns imperfectly."""
    if history is not None:
        from rig.commands_batch import tell

        tell(history, into, seed, as_json=as_json)
        return
    from fixtures import demonstration_bench, demonstration_product
    from rig.bench import drawn_anew, fault_names, load_bench
    from rig.errors import WrongInput
    from rig.product import load_product
    from rig.visit import Purpose, Request

    bench_file = load_bench(demonstration_bench())
    if faults:
        click.echo("\n".join(fault_names()))
        return
    if fault and fault not in fault_names():
        raise WrongInput(f"{ascii(fault)[:60]} is no fault that can be drawn: name one of {', '.join(fault_names())}.")
    product = load_product(demonstration_product())
    bench_file = drawn_anew(bench_file, seed=seed, fault=fault)
    serial = product.contents.serial.with_check_character(f"DM{(2600 + seed) % 10000:04d}{seed % 10000:04d}")
    request = Request(serial, Purpose.ADJUST, "virtual operator", ambient_c=None, seed=seed)
    _visit(bench_file, product, request, out, as_json=as_json, timing=timing)


@click.command()
@serial_argument
@bench_option
@product_option
@operator_option
@ambient_option
@json_option
@timing_option
@click.option("--budget", is_flag=True, help="Print the uncertainty budget of every finding.")
@trace_option
@click.option("--reason", default="", help="Why a unit came back (first word: out, drifts ...).")
@click.option("--complaint", default="", help="What its owner says.")
@out_option
def check(
    serial: str,
    bench: Path | None,
    product: Path | None,
    operator: str,
    ambient: float | None,
    as_json: bool,
    timing: bool,
    budget: bool,
    trace: Path | None,
    reason: str,
    complaint: str,
    out: Path | None,
) -> None:
    """Measure and judge one unit and print the trim recommendation; nothing is turned."""
    from rig.commands_returns import story_of
    from rig.opening import load_files
    from rig.scanned import clean_scan
    from rig.visit import Purpose, Request

    bench_file, product_file = load_files(bench, product)
    story = story_of(reason, complaint)
    request = Request(clean_scan(serial), Purpose.CHECK, operator, ambient_c=ambient, story=story)
    product_file.contents.serial.batch_of(request.serial)
    _visit(bench_file, product_file, request, out, as_json=as_json, timing=timing, budget=budget, trace=trace)


@click.command()
@click.option(
    "--bench",
    type=PATH,
    callback=typed_bench_safe_first,
    help="Bench file (TOML). Default: the newcomer's, virtual, in real time.",
)
@click.option("--product", type=PATH, help="Product file (TOML). Default: the newcomer's, invented.")
@operator_option
@ambient_option
@click.option("--scanner", default="", help="Serial port of a barcode scanner.")
@click.option(
    "--baud",
    type=WholeRange(300),
    default=9600,
    show_default=True,
    help="Speed of the scanner's serial port.",
)
@click.option("--tone", is_flag=True, help="Terminal bell, quicker near the target.")
@click.option("--hands-off", is_flag=True, help="On a virtual bench: the virtual operator turns, not the arrow keys.")
@click.option(
    "--print/--no-print",
    "printing",
    default=None,
    help="Print after each verdict. Default: as the bench file's [printer] says.",
)
@seed_option
@trace_option
@out_option
def work(
    bench: Path | None,
    product: Path | None,
    operator: str,
    ambient: float | None,
    scanner: str,
    baud: int,
    tone: bool,
    hands_off: bool,
    printing: bool | None,
    seed: int,
    trace: Path | None,
    out: Path | None,
) -> None:
    """The operator's loop: scan, adjust, verdict, slip, next scan; Ctrl-C ends it."""
    from fixtures import newcomer_bench, newcomer_product
    from rig.bench import drawn_anew, open_bench
    from rig.opening import console_of, limits_of, load_files, open_bench_record, traced_to
    from rig.printing import table_for_work
    from rig.work import work_at_terminal

    bench_file, product_file = load_files(bench or newcomer_bench(), product or newcomer_product())
    if bench_file.contents.virtual is not None:
        bench_file = drawn_anew(bench_file, seed=seed, fault="")
    printer = table_for_work(bench_file.contents.printer, wanted=printing)
    with open_bench_record() as database, open_bench(bench_file, limits_of(product_file), traced_to(trace)) as opened:
        shift = work_at_terminal(
            opened,
            bench_file,
            product_file,
            database,
            console_of(to_stderr=False),
            who=operator,
            ambient_c=ambient,
            scanner_port=scanner,
            scanner_baud=baud,
            tone=tone,
            virtual_seed=seed if hands_off else None,
            printer=printer,
            out=out,
        )
    if shift.interrupted:
        raise click.exceptions.Exit(INTERRUPTED)


@click.command()
@click.option("--cv", type=NUMBER, default=3.0, show_default=True, help="Control voltage to hold, V, as programmed.")
@bench_option
@product_option
@click.option(
    "--count",
    type=WholeRange(0),
    default=0,
    show_default=True,
    help="Stop after so many readings; 0: until Ctrl-C.",
)
@json_option
def watch(cv: float, bench: Path | None, product: Path | None, count: int, as_json: bool) -> None:
    """Show CV, pitch and meter live, without a visit; nothing is recorded."""
    from itertools import islice

    from rig.bench import open_bench
    from rig.live import live_readings
    from rig.opening import limits_of, load_files

    bench_file, product_file = load_files(bench, product)
    with open_bench(bench_file, limits_of(product_file)) as opened:
        if opened.hands is not None:
            opened.hands.insert(product_file.contents.serial.example)
            opened.hands.power(True)
        readings = live_readings(opened, cv, 0.1)
        for reading in islice(readings, count or None):
            click.echo(json.dumps(asdict(reading)) if as_json else reading.line())


def _visit(
    bench_file: Loaded[BenchFile],
    product: Loaded[Product],
    request: Request,
    out: Path | None,
    *,
    as_json: bool,
    timing: bool,
    budget: bool = False,
    trace: Path | None = None,
) -> None:
    from rig.bench import open_bench
    from rig.commands_budget import visit_lines
    from rig.endings import exit_code_of
    from rig.handing_in import visit_on_the_floor
    from rig.kept_visit import read_visit
    from rig.opening import console_of, ending_in_a_sentence, limits_of, open_bench_record, operator_at, traced_to
    from rig.reports.document import visit_document
    from rig.reports.keep import keep_reports
    from rig.reports.screen import screen_lines, timing_lines

    console = console_of(to_stderr=as_json)
    with (
        ending_in_a_sentence(bench_file.path) as ending,
        open_bench_record() as database,
        open_bench(bench_file, limits_of(product), traced_to(trace)) as bench,
        operator_at(console, bench, request.seed) as operator,
    ):
        ending.source_reached()
        operator.tell(f"Unit {request.serial}: {product.contents.product.name}, on the {bench.file.bench.name}.")
        visit = visit_on_the_floor(bench, bench_file, product, operator, database, request)
        record = read_visit(database, visit.serial, visit.visit_id)
        database_shown = database.url_shown
    kept = keep_reports(visit, product.contents, record, out)
    if as_json:
        click.echo(json.dumps(visit_document(visit, database_shown, [str(each) for each in kept.plots]), indent=2))
    else:
        lines = screen_lines(visit, product.contents, kept, database_shown)
        if timing:
            lines += timing_lines(visit)
        if budget:
            lines += visit_lines(visit.findings)
        click.echo(on_screen(lines))
    raise click.exceptions.Exit(exit_code_of(visit.verdict.decision))

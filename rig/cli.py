"""What a person types. Thin: each command imports what it needs when it runs, so that help is quick."""

from __future__ import annotations

import atexit
import gc
import json
import os
import signal
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from typer.main import get_command_name

from rig import commands_batch, commands_returns
from rig.commands_bench import bench_app
from rig.commands_data import add_data_commands
from rig.commands_db import db_app
from rig.commands_paper import add_paper_commands
from rig.commands_people import people_app, product_app
from rig.commands_safety import BenchOption, safe_first
from rig.commands_temperature import temperature
from rig.commands_visits import add_visits_to
from rig.marks import as_marks, on_screen

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import FrameType

    from typer.models import CommandInfo

    from rig.bench import BenchFile
    from rig.product import Product
    from rig.tomlfile import Loaded
    from rig.visit import Request

HELP = (
    "Test rig for voltage-controlled oscillators: sweeps a unit, fits its tracking, says which trim to turn and "
    "the reading at which to stop, judges the unit and keeps the record.\n\n"
    "New here? Type: rig demo\n\n"
    "Exit code: 0 pass or conditional pass, 1 fail or conditional fail, 2 wrong input, 3 bench fault, "
    "4 no decision. Results are kept where 'rig where' says."
)
COLLECTED_AFTER = 250_000
"""New objects after which garbage is looked for, more than a command makes that asks the record; 700 as Python has it.
"""


def _no_command() -> typer.Typer:
    # with something to call before a command, one command by itself still has a name
    return typer.Typer(
        callback=lambda: None, no_args_is_help=True, add_completion=False, rich_markup_mode=None, help=HELP
    )


app = _no_command()

ProductOption = Annotated[
    Path | None,
    typer.Option("--product", help="Product file (TOML). Default: the invented demonstration product."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
SeedOption = Annotated[int, typer.Option("--seed", min=0, max=2**31 - 1, help="Which unit and bench are drawn.")]
OperatorOption = Annotated[str, typer.Option("--operator", help="Who stands at the bench.")]
FolderOption = Annotated[
    Path | None, typer.Option("--out", help="Folder for slip and plot. Default: in your data folder.")
]
AmbientOption = Annotated[
    float | None, typer.Option("--ambient", min=-20.0, max=60.0, help="Room temperature in degrees Celsius.")
]
TraceOption = Annotated[
    Path | None, typer.Option("--trace", help="File for every message to and from the instruments.")
]
TimingOption = Annotated[bool, typer.Option("--timing", help="Say where the bench time went.")]


@app.command()
def demo(
    seed: SeedOption = 1,
    fault: Annotated[str, typer.Option("--fault", help="Draw a unit with this fault (see rig demo --faults).")] = "",
    faults: Annotated[bool, typer.Option("--faults", help="List the faults that can be drawn, and stop.")] = False,
    as_json: JsonOption = False,
    timing: TimingOption = False,
    out: FolderOption = None,
    history: commands_batch.HistoryOption = None,
    into: commands_batch.IntoOption = "",
) -> None:
    """Run the main job on the virtual bench: an invented unit, a virtual operator who turns imperfectly."""
    if history is not None:
        commands_batch.tell(history, into, seed, as_json=as_json)
        return
    from fixtures import demonstration_bench, demonstration_product
    from rig.bench import drawn_anew, fault_names, load_bench
    from rig.errors import WrongInput
    from rig.product import load_product
    from rig.visit import Purpose, Request

    bench_file = load_bench(demonstration_bench())
    if faults:
        typer.echo("\n".join(fault_names()))
        return
    if fault and fault not in fault_names():
        raise WrongInput(f"{ascii(fault)[:60]} is no fault that can be drawn: name one of {', '.join(fault_names())}.")
    product = load_product(demonstration_product())
    bench_file = drawn_anew(bench_file, seed=seed, fault=fault)
    serial = product.contents.serial.with_check_character(f"DM{(2600 + seed) % 10000:04d}{seed % 10000:04d}")
    request = Request(serial, Purpose.ADJUST, "virtual operator", ambient_c=None, seed=seed)
    _visit(bench_file, product, request, out, as_json=as_json, timing=timing)


@app.command()
def check(
    serial: Annotated[str, typer.Argument(help="Serial of the unit, as scanned.")],
    bench: BenchOption = None,
    product: ProductOption = None,
    operator: OperatorOption = "operator",
    ambient: AmbientOption = None,
    as_json: JsonOption = False,
    timing: TimingOption = False,
    budget: Annotated[bool, typer.Option("--budget", help="Print the uncertainty budget of every finding.")] = False,
    trace: TraceOption = None,
    reason: Annotated[str, typer.Option("--reason", help="Why a unit came back (first word: out, drifts ...).")] = "",
    complaint: Annotated[str, typer.Option("--complaint", help="What its owner says.")] = "",
    out: FolderOption = None,
) -> None:
    """Measure and judge one unit and print the trim recommendation; nothing is turned."""
    from rig.opening import load_files
    from rig.scanned import clean_scan
    from rig.visit import Purpose, Request

    bench_file, product_file = load_files(bench, product)
    story = commands_returns.story_of(reason, complaint)
    request = Request(clean_scan(serial), Purpose.CHECK, operator, ambient_c=ambient, story=story)
    product_file.contents.serial.batch_of(request.serial)
    _visit(bench_file, product_file, request, out, as_json=as_json, timing=timing, budget=budget, trace=trace)


@app.command()
def work(
    bench: Annotated[
        Path | None,
        typer.Option(
            "--bench",
            callback=safe_first,
            help="Bench file (TOML). Default: the newcomer's, virtual, in real time.",
        ),
    ] = None,
    product: Annotated[
        Path | None, typer.Option("--product", help="Product file (TOML). Default: the newcomer's, invented.")
    ] = None,
    operator: OperatorOption = "operator",
    ambient: AmbientOption = None,
    scanner: Annotated[str, typer.Option("--scanner", help="Serial port of a barcode scanner.")] = "",
    baud: Annotated[int, typer.Option("--baud", min=300, help="Speed of the scanner's serial port.")] = 9600,
    tone: Annotated[bool, typer.Option("--tone", help="Terminal bell, quicker near the target.")] = False,
    hands_off: Annotated[
        bool, typer.Option("--hands-off", help="On a virtual bench: the virtual operator turns, not the arrow keys.")
    ] = False,
    printing: Annotated[
        bool | None,
        typer.Option(
            "--print/--no-print", help="Print after each verdict. Default: as the bench file's [printer] says."
        ),
    ] = None,
    seed: SeedOption = 1,
    trace: TraceOption = None,
    out: FolderOption = None,
) -> None:
    """The operator's loop: scan, adjust, verdict, slip, next scan; Ctrl-C ends it."""
    from fixtures import newcomer_bench, newcomer_product
    from rig.bench import drawn_anew, open_bench
    from rig.opening import INTERRUPTED, console_of, limits_of, load_files, open_bench_record, traced_to
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
        raise typer.Exit(INTERRUPTED)


@app.command()
def history(
    serial: Annotated[str, typer.Argument(help="Serial of the unit, as scanned.")],
    as_json: JsonOption = False,
    budget: Annotated[bool, typer.Option("--budget", help="Print the budgets of the last verdict's findings.")] = False,
) -> None:
    """Visits of a unit: as found against as left, and verdicts."""
    from db import history as asked
    from db.returned import repairs_of, returns_of
    from rig.opening import record_to_ask
    from rig.reports.history import history_document, history_lines
    from rig.reports.returned import came_and_went_document, came_and_went_lines
    from rig.scanned import clean_scan

    with record_to_ask() as database:
        with database.reading_connection() as connection:
            found = asked.history(connection, clean_scan(serial))
            back, repairs = returns_of(connection, found.unit_id), repairs_of(connection, found.unit_id)
        budgets = _budgets_of(found.serial) if budget else []
        if as_json:
            document = history_document(found, database.url_shown) | came_and_went_document(back, repairs)
            typer.echo(json.dumps(document, indent=2))
            return
        typer.echo(on_screen([*history_lines(found), *came_and_went_lines(back, repairs), *budgets]))
        typer.echo(f"Database: {database.url_shown}")


def _budgets_of(serial: str) -> list[str]:
    from rig.commands_budget import recorded_lines
    from rig.opening import open_record

    with open_record() as database, database.reading() as session:
        return recorded_lines(session, serial)


@app.command()
def trims(
    product: Annotated[
        str,
        typer.Argument(
            help="Product file (TOML), or name or code of a product in the record. Default: the invented demonstration "
            "product."
        ),
    ] = "",
    batch: Annotated[str | None, typer.Option("--batch", help="Batch whose next unit is meant.")] = None,
    as_json: JsonOption = False,
) -> None:
    """What has been learned of a product's trims: effect of a turn, pivot, batch by batch."""
    from rig.knowledge import learned_trims, recorded_product
    from rig.opening import load_files, open_record
    from rig.reports.trims import trims_document, trims_lines

    file = Path(product) if product else None
    from_file = file is None or file.is_file() or file.suffix == ".toml"
    product_file = load_files(None, file)[1] if from_file else None
    with open_record() as database:
        with database.reading() as session:
            product_file = product_file or recorded_product(session, product)
            contents = product_file.contents
            known = learned_trims(session, product_file, batch, demonstration=contents.product.demonstration)
        if as_json:
            typer.echo(json.dumps(trims_document(contents, batch, known, database.url_shown), indent=2))
            return
        typer.echo(on_screen(trims_lines(contents, batch, known)))
        typer.echo(f"Database: {database.url_shown}")


@app.command()
def watch(
    cv: Annotated[float, typer.Option("--cv", help="Control voltage to hold, V, as programmed.")] = 3.0,
    bench: BenchOption = None,
    product: ProductOption = None,
    count: Annotated[int, typer.Option("--count", min=0, help="Stop after so many readings; 0: until Ctrl-C.")] = 0,
    as_json: JsonOption = False,
) -> None:
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
            typer.echo(json.dumps(asdict(reading)) if as_json else reading.line())


@app.command()
def where() -> None:
    """Say where results are kept, and what decided it."""
    from db.engine import address_of, url_shown
    from db.location import database_location, spool_location

    location = database_location()
    address = address_of(location)
    typer.echo(f"Database: {url_shown(address)} (decided by {location.decided_by})")
    if address.get_backend_name() != "sqlite":
        own = spool_location(url_shown(address))
        typer.echo(f"This bench's own record, handed in from there: {own.url} (decided by {own.decided_by})")


app.command()(temperature)
commands_returns.add_to(app)
add_visits_to(app)
commands_batch.add_to(app)
add_paper_commands(app)
add_data_commands(app)
app.add_typer(bench_app, name="bench")
app.add_typer(db_app, name="db")
app.add_typer(people_app, name="people")
app.add_typer(product_app, name="product")


def main() -> None:
    """Run the command line; whatever goes wrong ends in one sentence and an exit code."""
    # what a start loads stays: the collector would look through all of it a few hundred times, for a tenth of the
    # start, and again at the end, when all of it goes anyway
    gc.set_threshold(COLLECTED_AFTER)
    atexit.register(gc.freeze)
    _take_signals()
    try:
        app_of(sys.argv[1:])()
    except Exception as error:
        from rig.endings import exit_code, sentence

        if os.environ.get("RIG_TRACEBACK"):
            raise
        for line in (sentence(error), *getattr(error, "__notes__", ())):
            print(as_marks(line), file=sys.stderr)  # noqa: T201
        sys.exit(exit_code(error))


def app_of(words: Sequence[str]) -> typer.Typer:
    """The application with nothing in it but the command that was typed: reading the options of all costs a tenth of a
    start.

    :param words: what was typed after the program's name; where no command has that name, all are there to be shown.
    """
    named = words[0] if words else ""
    only = _no_command()
    only.registered_commands = [each for each in app.registered_commands if _name_of(each) == named]
    only.registered_groups = [each for each in app.registered_groups if each.name == named]
    return only if only.registered_commands or only.registered_groups else app


def _name_of(command: CommandInfo) -> str:
    return command.name or ("" if command.callback is None else get_command_name(command.callback.__name__))


def _take_signals() -> None:
    """Whoever ends the program from outside ends it as Ctrl-C does: the source goes to 0 V first."""
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, _interrupted)


def _interrupted(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


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
        typer.echo(json.dumps(visit_document(visit, database_shown, [str(each) for each in kept.plots]), indent=2))
    else:
        lines = screen_lines(visit, product.contents, kept, database_shown)
        if timing:
            lines += timing_lines(visit)
        if budget:
            lines += visit_lines(visit.findings)
        typer.echo(on_screen(lines))
    raise typer.Exit(exit_code_of(visit.verdict.decision))

"""Commands that keep a bench trustworthy: its source known, its reference unit measured, its own spread studied."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import WholeRange, operator_option, product_option
from rig.commands_safety import bench_option
from rig.marks import on_screen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rig.beginning import BenchRecords
    from rig.bench import Bench
    from rig.operators.port import Operator
    from rig.product import Product
    from rig.tomlfile import Loaded


@click.command()
@bench_option
@product_option
def characterise(bench: Path | None, product: Path | None) -> None:
    """Measure the source against the meter, up and down; the curve corrects every CV until it is too old."""
    from rig.stages.characterise_source import characterise_source

    with _opened(bench, product) as (opened, files, operator, records):
        _connect(opened, operator, files.contents.serial.example, files)
        characterise_source(opened, files.contents, operator, records)


@click.command()
@click.argument("serial", help="Serial of the reference unit, as scanned.")
@bench_option
@product_option
@operator_option
@click.option("--restart", default="", help="Begin the history anew, and why (an instrument came back).")
def verify(serial: str, bench: Path | None, product: Path | None, operator: str, restart: str) -> None:
    """Measure the bench's reference unit against its own history; exit code 3 when the bench has moved."""
    from rig.endings import BENCH_FAULT
    from rig.errors import WrongInput
    from rig.scanned import clean_scan
    from rig.science.reference import Standing
    from rig.stages.characterise_source import know_the_source
    from rig.stages.verify_bench import VerifyRequest, require_the_reference, verify_bench

    with _opened(bench, product) as (opened, files, person, records):
        if opened.file.reference is None:
            raise WrongInput("This bench names no reference unit: add [reference] with its serial to the bench file.")
        scanned = clean_scan(serial)
        require_the_reference(scanned, opened.file.reference.serial)
        _connect(opened, person, scanned, files)
        line = know_the_source(opened, files.contents, person, records)
        request = VerifyRequest(scanned, opened.file.reference.serial, operator, restart_reason=restart)
        found = verify_bench(opened, records, files, person, line, request)
        for each in found.checks:
            click.echo(each.sentence)
        click.echo(found.sentence)
    if found.standing is Standing.MOVED:
        raise click.exceptions.Exit(BENCH_FAULT)


@click.command()
@click.argument("serials", nargs=-1, required=True, help="Serials of the units, two at least.")
@click.option("--operator", "operators", multiple=True, required=True, help="Who measures; name each, two at least.")
@click.option(
    "--repeats", type=WholeRange(2, 20), default=2, show_default=True, help="How often each measures each unit."
)
@click.option("--seed", type=WholeRange(0), default=1, show_default=True, help="Draws the order of the runs.")
@bench_option
@product_option
def study(
    serials: tuple[str, ...],
    operators: tuple[str, ...],
    repeats: int,
    seed: int,
    bench: Path | None,
    product: Path | None,
) -> None:
    """Repeatability and reproducibility: which part of the spread between measurements is the rig's own."""
    from rig.scanned import clean_scan
    from rig.stages.bench_study import StudyPlan, run_study
    from rig.stages.characterise_source import know_the_source

    plan = StudyPlan(tuple(clean_scan(each) for each in serials), operators, repeats, seed)
    with _opened(bench, product) as (opened, files, person, records):
        _connect(opened, person, plan.serials[0], files)
        line = know_the_source(opened, files.contents, person, records)
        result = run_study(opened, records, files, person, line, plan)
        click.echo(on_screen(result.sentences))


@contextmanager
def _opened(
    bench: Path | None, product: Path | None
) -> Iterator[tuple[Bench, Loaded[Product], Operator, BenchRecords]]:
    from rig.beginning import bench_records
    from rig.bench import open_bench
    from rig.opening import console_of, ending_in_a_sentence, limits_of, load_files, open_bench_record, operator_at

    bench_file, product_file = load_files(bench, product)
    with (
        ending_in_a_sentence(bench_file.path) as ending,
        open_bench_record() as database,
        open_bench(bench_file, limits_of(product_file)) as opened,
        operator_at(console_of(to_stderr=False), opened, None) as operator,
    ):
        ending.source_reached()
        yield opened, product_file, operator, bench_records(database, opened, bench_file)


def _connect(bench: Bench, operator: Operator, serial: str, product: Loaded[Product]) -> None:
    operator.warn(product.contents.cautions)
    operator.connect_unit(serial, product.contents.oscillators[0])
    bench.source.set_voltage(0.0)
    bench.source.output_on()

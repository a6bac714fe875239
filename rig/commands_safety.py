"""What comes before everything else: the source that a killed program left on. And benches that outlive a program."""

from __future__ import annotations

from pathlib import Path

import click

from rig.command_options import PATH


def safe_first(bench: Path | None) -> Path | None:
    """Do what is owed on a bench, while the command line is still being read: before any file, database or screen.

    :raises BenchBusy: the program that owes it is still there.
    :raises StillOwed: somebody has to switch the source off by hand.
    """
    if bench is not None:
        from rig.owed import do_what_is_owed

        said = do_what_is_owed(bench)
        if said:
            click.echo(said, err=True)
    return bench


def all_safe_first() -> None:
    """Do what is owed on every bench of this user, as far as it can be done; say which source may still be on."""
    from rig.errors import BenchBusy, BenchProblem
    from rig.owed import do_what_is_owed, owed_benches

    for bench in owed_benches():
        try:
            click.echo(do_what_is_owed(bench), err=True)
        except BenchBusy:
            # whoever owes it is still there
            continue
        except BenchProblem:
            click.echo(f"The source of {bench} may still be on: rig bench safe {bench}", err=True)


def typed_bench_safe_first(_context: click.Context, _parameter: click.Parameter, bench: Path | None) -> Path | None:
    """As ``safe_first``, called by the command line itself with the bench file that was typed."""
    return safe_first(bench)


bench_option = click.option(
    "--bench", type=PATH, callback=typed_bench_safe_first, help="Bench file (TOML). Default: the virtual bench."
)
bench_argument = click.argument("file", type=PATH, help="Bench file (TOML).")


@click.command()
@bench_argument
@click.option("--by-hand", is_flag=True, help="You have switched the source's output off yourself: take the note away.")
def safe(file: Path, by_hand: bool) -> None:
    """Bring the source of a bench to 0 V with its output off, whoever left it on, and nothing else."""
    from rig.owed import do_what_is_owed, forget_by_hand, make_safe

    if by_hand:
        was = forget_by_hand(file)
        click.echo("The note is gone: the source is taken to be off." if was else "Nothing was owed on this bench.")
        return
    said = do_what_is_owed(file)
    if said:
        click.echo(said)
        return
    from drivers.secrets import without_secrets
    from rig.bench import load_bench, provider_of, resource_of
    from rig.bench_hold import debt_of, held
    from rig.bench_profile import load_profile
    from rig.errors import BenchProblem, FileProblem, StillOwed

    loaded = load_bench(file)
    provider = provider_of(loaded)
    try:
        with held(loaded, provider):
            resource = resource_of(loaded, "source", provider.resources)
            try:
                debt = debt_of(resource, loaded, load_profile(file), None)
            except (BenchProblem, FileProblem) as problem:
                raise StillOwed(
                    f"The source at {without_secrets(resource)} was told nothing, and its output may be on: switch it "
                    f"off by hand now, before you touch the unit. {problem}"
                ) from None
            make_safe(debt, file)
    finally:
        provider.close()
    click.echo("Nothing was owed on this bench; its source is at 0 V with its output off.")


@click.command()
@bench_argument
def serve(file: Path) -> None:
    """Serve the virtual bench of a bench file as a process of its own, until Ctrl-C: it outlives every program."""
    from drivers.virtual.errors import VirtualBenchError
    from drivers.virtual.served import description_of, serve_until_ended
    from rig.errors import FileProblem

    try:
        serve_until_ended(description_of(file), click.echo)
    except VirtualBenchError as error:
        raise FileProblem(str(error)) from None

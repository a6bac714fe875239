"""What comes before everything else: the source that a killed program left on. And benches that outlive a program."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

BenchArgument = Annotated[Path, typer.Argument(help="Bench file (TOML).")]


def safe_first(bench: Path | None) -> Path | None:
    """Do what is owed on a bench, while the command line is still being read: before any file, database or screen.

    :raises BenchBusy: the program that owes it is still there.
    :raises StillOwed: somebody has to switch the source off by hand.
    """
    if bench is not None:
        from rig.owed import do_what_is_owed

        said = do_what_is_owed(bench)
        if said:
            typer.echo(said, err=True)
    return bench


def all_safe_first() -> None:
    """Do what is owed on every bench of this user, as far as it can be done; say which source may still be on."""
    from rig.errors import BenchBusy, BenchProblem
    from rig.owed import do_what_is_owed, owed_benches

    for bench in owed_benches():
        try:
            typer.echo(do_what_is_owed(bench), err=True)
        except BenchBusy:
            # whoever owes it is still there
            continue
        except BenchProblem:
            typer.echo(f"The source of {bench} may still be on: rig bench safe {bench}", err=True)


BenchOption = Annotated[
    Path | None,
    typer.Option("--bench", callback=safe_first, help="Bench file (TOML). Default: the virtual bench."),
]


def add_safety_to(app: typer.Typer) -> None:
    """Add the commands of this module to the commands about the bench."""
    app.command()(safe)
    app.command()(serve)


def safe(
    file: BenchArgument,
    by_hand: Annotated[
        bool,
        typer.Option("--by-hand", help="You have switched the source's output off yourself: take the note away."),
    ] = False,
) -> None:
    """Bring the source of a bench to 0 V with its output off, whoever left it on, and nothing else."""
    from rig.owed import do_what_is_owed, forget_by_hand, make_safe

    if by_hand:
        was = forget_by_hand(file)
        typer.echo("The note is gone: the source is taken to be off." if was else "Nothing was owed on this bench.")
        return
    said = do_what_is_owed(file)
    if said:
        typer.echo(said)
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
    typer.echo("Nothing was owed on this bench; its source is at 0 V with its output off.")


def serve(file: BenchArgument) -> None:
    """Serve the virtual bench of a bench file as a process of its own, until Ctrl-C: it outlives every program."""
    from drivers.virtual.errors import VirtualBenchError
    from drivers.virtual.served import description_of, serve_until_ended
    from rig.errors import FileProblem

    try:
        serve_until_ended(description_of(file), typer.echo)
    except VirtualBenchError as error:
        raise FileProblem(str(error)) from None

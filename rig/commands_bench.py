"""Commands about the bench itself: who is there, what each instrument can do, and what was said to it."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.commands_safety import add_safety_to, safe_first
from rig.commands_upkeep import add_to

if TYPE_CHECKING:
    from rig.bench_check import Asked, BenchChecked, Unasked

bench_app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The bench itself: find instruments, ask them what they can do, read a trace of what was said.",
)
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]

add_to(bench_app)
add_safety_to(bench_app)


@bench_app.command()
def find(
    addresses: Annotated[list[str] | None, typer.Argument(help="Addresses to ask as well (VISA resources).")] = None,
    network: Annotated[
        bool, typer.Option("--network", help="Look on the network too: this broadcasts to everybody on it.")
    ] = False,
    ask: Annotated[bool, typer.Option("--ask/--no-ask", help="Ask each who it is (*IDN?).")] = True,
    wait_s: Annotated[
        float, typer.Option("--wait", min=0.05, max=60.0, help="Seconds that each may take to answer.")
    ] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """List the instruments that can be seen from here, and who answers *IDN?."""
    from drivers.enumeration import Seen, ask_each, blind_spots, resources
    from drivers.secrets import escaped, without_secrets
    from rig.bench_lock import in_use

    found = tuple(dict.fromkeys((*resources(network=network), *(addresses or ()))))
    seen: list[Seen] = []
    # an instrument that takes one caller at a time would hang up on the program that drives it
    held = {resource: by for resource in found if ask and (by := in_use(resource))}
    spared = [Seen(resource, silence=f"not asked, for it is in use by {by}") for resource, by in held.items()]
    free = tuple(resource for resource in found if resource not in held)
    for each in chain(spared, ask_each(free, wait_s) if ask else (Seen(resource) for resource in free)):
        seen.append(each)
        if not as_json:
            what = f"  {escaped(each.identity)}" if each.identity else ""
            typer.echo(f"{without_secrets(each.resource)}{what or (f'  no answer: {each.silence}' if ask else '')}")
    spots = blind_spots()
    if as_json:
        shown = [{**asdict(each), "resource": without_secrets(each.resource)} for each in seen]
        typer.echo(json.dumps({"instruments": shown, "cannot_be_seen": spots}, indent=2))
        return
    if not seen:
        typer.echo("Nothing can be seen from here: plug an instrument in, or give its address (rig bench find --help).")
    for spot in spots:
        typer.echo(f"Not looked for: {spot}")
    if not network:
        typer.echo("Not looked for: instruments on the network (--network looks, and broadcasts to everybody on it).")


@bench_app.command()
def check(
    file: Annotated[Path, typer.Argument(callback=safe_first, help="Bench file (TOML).")],
    as_json: JsonOption = False,
    trace: Annotated[Path | None, typer.Option("--trace", help="File for every message that is exchanged.")] = None,
) -> None:
    """Ask each instrument of a bench file what it can do, and write the profile beside the file."""
    from rig.bench import load_bench
    from rig.bench_check import check_bench
    from rig.endings import BENCH_FAULT
    from rig.opening import Ending, ending_in_a_sentence

    with ending_in_a_sentence(file, Ending("Stopped: no profile was written, and nothing is owed on this bench.")):
        checked = check_bench(
            load_bench(file), (lambda _each: None) if as_json else _tell, trace, partial(typer.echo, err=True)
        )
    if as_json:
        typer.echo(json.dumps(_document(checked), indent=2))
    else:
        typer.echo(f"Profile: {checked.profile}" if checked.profile else "No profile was written.")
        roles = [each.role for each in checked.instruments if not _fills(each)]
        typer.echo(f"Not usable: {', '.join(roles)}." if roles else "Every role is filled.")
    if not checked.usable:
        raise typer.Exit(BENCH_FAULT)


@bench_app.command()
def trace(
    file: Annotated[Path, typer.Argument(help="Trace to read.")],
    role: Annotated[str, typer.Option("--role", help="Only messages of this role.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Read a trace: every message with its time, what came back, and how long that took."""
    from drivers.trace import NotATrace, read_trace
    from rig.errors import FileProblem

    try:
        for line in read_trace(file, lambda sentence: typer.echo(sentence, err=True)):
            if not role or line.role == role:
                typer.echo(json.dumps({**asdict(line), "at": line.at.isoformat()}) if as_json else str(line))
    except NotATrace as error:
        raise FileProblem(f"{error}.") from None
    except (FileNotFoundError, PermissionError, IsADirectoryError) as error:
        raise FileProblem(f"The trace {file} cannot be read ({error.strerror}): check its name.") from None


def _fills(each: Asked | Unasked) -> bool:
    from rig.bench_check import Asked

    return isinstance(each, Asked) and each.findings.fills


def _tell(each: Asked | Unasked) -> None:
    """Print what came of one instrument."""
    from drivers.secrets import escaped
    from rig.bench_check import Asked

    if not isinstance(each, Asked):
        typer.echo(f"{each.role} at {each.resource}: could not be asked.\n  {each.problem}\n")
        return
    verdict = "fills its role" if each.findings.fills else "cannot fill its role"
    typer.echo(f"{each.role} at {each.resource}: {escaped(str(each.link.identity))} - {verdict}.")
    for capability in each.capabilities:
        said = f"  ({escaped(capability.said)})" if capability.said else ""
        typer.echo(f"  {capability.name:<22} {capability.spelling or '-':<38} {capability.evidence}{said}")
    for sentence in each.findings.missing:
        typer.echo(f"  Missing: {escaped(sentence)}")
    for sentence in each.losses:
        typer.echo(f"  Lost: {escaped(sentence)}")
    if each.also:
        typer.echo(f"  It could also be the {' or the '.join(each.also)}.")
    typer.echo("")


def _document(checked: BenchChecked) -> dict[str, object]:
    from rig.bench_check import Asked

    return {
        "usable": checked.usable,
        "profile": str(checked.profile) if checked.profile else None,
        "instruments": [
            {
                "role": each.role,
                "resource": each.resource,
                "identity": asdict(each.link.identity),
                "fills": each.findings.fills,
                "missing": each.findings.missing,
                "losses": each.losses,
                "capabilities": [asdict(capability) for capability in each.capabilities],
                "could_also_be": each.also,
            }
            if isinstance(each, Asked)
            else {"role": each.role, "resource": each.resource, "fills": False, "problem": each.problem}
            for each in checked.instruments
        ],
    }

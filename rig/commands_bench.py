"""Commands about the bench itself: who is there, what each instrument can do, and what was said to it."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.command_options import PATH, CommandGroup, FiniteRange, json_option
from rig.commands_safety import safe, serve, typed_bench_safe_first
from rig.commands_upkeep import characterise, study, verify

if TYPE_CHECKING:
    from rig.bench_check import Asked, BenchChecked, Unasked

bench_app = CommandGroup(
    "bench", help="The bench itself: find instruments, ask them what they can do, read a trace of what was said."
)
for each_command in (characterise, verify, study, safe, serve):
    bench_app.add_command(each_command)


@bench_app.command()
@click.argument("addresses", nargs=-1, help="Addresses to ask as well (VISA resources).")
@click.option("--network", is_flag=True, help="Look on the network too: this broadcasts to everybody on it.")
@click.option("--ask/--no-ask", default=True, show_default=True, help="Ask each who it is (*IDN?).")
@click.option(
    "--wait",
    "wait_s",
    type=FiniteRange(0.05, 60.0),
    default=1.0,
    show_default=True,
    help="Seconds that each may take to answer.",
)
@json_option
def find(addresses: tuple[str, ...], network: bool, ask: bool, wait_s: float, as_json: bool) -> None:
    """List the instruments that can be seen from here, and who answers *IDN?."""
    from drivers.enumeration import Seen, ask_each, blind_spots, resources
    from drivers.secrets import escaped, without_secrets
    from rig.bench_lock import in_use

    found = tuple(dict.fromkeys((*resources(network=network), *addresses)))
    seen: list[Seen] = []
    # an instrument that takes one caller at a time would hang up on the program that drives it
    held = {resource: by for resource in found if ask and (by := in_use(resource))}
    spared = [Seen(resource, silence=f"not asked, for it is in use by {by}") for resource, by in held.items()]
    free = tuple(resource for resource in found if resource not in held)
    for each in chain(spared, ask_each(free, wait_s) if ask else (Seen(resource) for resource in free)):
        seen.append(each)
        if not as_json:
            what = f"  {escaped(each.identity)}" if each.identity else ""
            click.echo(f"{without_secrets(each.resource)}{what or (f'  no answer: {each.silence}' if ask else '')}")
    spots = blind_spots()
    if as_json:
        shown = [{**asdict(each), "resource": without_secrets(each.resource)} for each in seen]
        click.echo(json.dumps({"instruments": shown, "cannot_be_seen": spots}, indent=2))
        return
    if not seen:
        click.echo("Nothing can be seen from here: plug an instrument in, or give its address (rig bench find --help).")
    for spot in spots:
        click.echo(f"Not looked for: {spot}")
    if not network:
        click.echo("Not looked for: instruments on the network (--network looks, and broadcasts to everybody on it).")


@bench_app.command()
@click.argument("file", type=PATH, callback=typed_bench_safe_first, help="Bench file (TOML).")
@json_option
@click.option("--trace", type=PATH, help="File for every message that is exchanged.")
def check(file: Path, as_json: bool, trace: Path | None) -> None:
    """Ask each instrument of a bench file what it can do, and write the profile beside the file."""
    from rig.bench import load_bench
    from rig.bench_check import check_bench
    from rig.endings import BENCH_FAULT
    from rig.opening import Ending, ending_in_a_sentence

    with ending_in_a_sentence(file, Ending("Stopped: no profile was written, and nothing is owed on this bench.")):
        checked = check_bench(
            load_bench(file), (lambda _each: None) if as_json else _tell, trace, partial(click.echo, err=True)
        )
    if as_json:
        click.echo(json.dumps(_document(checked), indent=2))
    else:
        click.echo(f"Profile: {checked.profile}" if checked.profile else "No profile was written.")
        roles = [each.role for each in checked.instruments if not _fills(each)]
        click.echo(f"Not usable: {', '.join(roles)}." if roles else "Every role is filled.")
    if not checked.usable:
        raise click.exceptions.Exit(BENCH_FAULT)


@bench_app.command()
@click.argument("file", type=PATH, help="Trace to read.")
@click.option("--role", default="", help="Only messages of this role.")
@json_option
def trace(file: Path, role: str, as_json: bool) -> None:
    """Read a trace: every message with its time, what came back, and how long that took."""
    from drivers.trace import NotATrace, read_trace
    from rig.errors import FileProblem

    try:
        for line in read_trace(file, lambda sentence: click.echo(sentence, err=True)):
            if not role or line.role == role:
                click.echo(json.dumps({**asdict(line), "at": line.at.isoformat()}) if as_json else str(line))
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
        click.echo(f"{each.role} at {each.resource}: could not be asked.\n  {each.problem}\n")
        return
    verdict = "fills its role" if each.findings.fills else "cannot fill its role"
    click.echo(f"{each.role} at {each.resource}: {escaped(str(each.link.identity))} - {verdict}.")
    for capability in each.capabilities:
        said = f"  ({escaped(capability.said)})" if capability.said else ""
        click.echo(f"  {capability.name:<22} {capability.spelling or '-':<38} {capability.evidence}{said}")
    for sentence in each.findings.missing:
        click.echo(f"  Missing: {escaped(sentence)}")
    for sentence in each.losses:
        click.echo(f"  Lost: {escaped(sentence)}")
    if each.also:
        click.echo(f"  It could also be the {' or the '.join(each.also)}.")
    click.echo("")


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

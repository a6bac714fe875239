"""A unit that came back: as found against as left, what that points to, what was done. As text and as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from db.returned import RepairRow, ReturnRow
    from rig.returns import CameBack, Changed

WORTH_SHOWING = 0.1
HEADING = f"  {'':<22}{'as left':>11}{'as found':>11}{'change':>10}{'U':>9}{'E_n':>8}"


def came_back_lines(made: CameBack) -> list[str]:
    """Lines for a terminal of eighty columns."""
    lines = [
        f"{made.serial} left on {made.shipped.started_utc:%Y-%m-%d %H:%M} UTC from the {made.shipped.bench} "
        f"(visit {made.shipped.visit_id}).",
        f"It came back: {_said(made.reason)}." if made.reason is not None else "Why it came back was not entered.",
        "",
        HEADING,
        *(_line(each) for each in made.differences),
        "  E_n: change over its expanded uncertainty; marked where it is clearly more than doubt (above 1.5).",
        "",
    ]
    for each in made.oscillators:
        lines.append(each.sentence)
        lines += [
            f"  less likely: {other.sentence}" for other in each.suspects[1:] if other.probability >= WORTH_SHOWING
        ]
    known = {each.sentence for each in made.oscillators}
    return [*lines, *(sentence for sentence in made.sentences if sentence not in known)]


def _said(reason: ReturnRow) -> str:
    return f"{reason.reason}{f' ({reason.complaint})' if reason.complaint else ''}, entered by {reason.who}"


def _line(changed: Changed) -> str:
    mark = " <" if changed.moved else ""
    return (
        f"  {changed.characteristic.replace('_', ' '):<22}{changed.left:>11.3f}{changed.found:>11.3f}"
        f"{changed.difference:>+10.3f}{changed.expanded_uncertainty:>9.2g}{changed.normalised_error:>+8.2f}{mark}"
        f"  {changed.unit}"
    )


def came_back_document(made: CameBack) -> dict[str, object]:
    """Plain data for programs."""
    return {
        "serial": made.serial,
        "left_visit": str(made.shipped.visit_id),
        "left_utc": made.shipped.started_utc.isoformat(),
        "found_visit": str(made.visit_id),
        "reason": made.reason.reason if made.reason is not None else None,
        "complaint": made.reason.complaint if made.reason is not None else None,
        "changes": [
            {
                "characteristic": each.characteristic,
                "unit": each.unit,
                "as_left": each.left,
                "as_found": each.found,
                "change": each.difference,
                "expanded_uncertainty": each.expanded_uncertainty,
                "normalised_error": each.normalised_error,
            }
            for each in made.differences
        ],
        "oscillators": [
            {
                "oscillator": each.oscillator,
                "nothing_probability": each.nothing,
                "sentence": each.sentence,
                "suspects": [
                    {"suspect": named.suspect, "probability": named.probability, "sentence": named.sentence}
                    for named in each.suspects
                ],
            }
            for each in made.oscillators
        ],
        "sentences": list(made.sentences),
    }


def repairs_lines(repairs: Sequence[RepairRow]) -> list[str]:
    """What was done to a unit, oldest first."""
    return [
        f"{each.done_utc:%Y-%m-%d %H:%M} UTC by {each.who}: {each.note or 'no note'}"
        f"{'; parts: ' + ', '.join(each.parts) if each.parts else ''}"
        for each in repairs
    ]


def came_and_went_lines(back: Sequence[ReturnRow], repairs: Sequence[RepairRow]) -> list[str]:
    """Returns and repairs of a unit, below its visits."""
    lines = []
    if back:
        lines += ["", "Came back:", *(f"  {each.received_utc:%Y-%m-%d %H:%M} UTC: {_said(each)}" for each in back)]
    if repairs:
        lines += ["", "Repairs:", *(f"  {line}" for line in repairs_lines(repairs))]
    return lines


def came_and_went_document(back: Sequence[ReturnRow], repairs: Sequence[RepairRow]) -> dict[str, object]:
    """Returns and repairs as plain data."""
    return {
        "returns": [
            {
                "received_utc": each.received_utc.isoformat(),
                "reason": each.reason,
                "complaint": each.complaint,
                "who": each.who,
            }
            for each in back
        ],
        "repairs": [
            {"done_utc": each.done_utc.isoformat(), "parts": list(each.parts), "note": each.note, "who": each.who}
            for each in repairs
        ],
    }

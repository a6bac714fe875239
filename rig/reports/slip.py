"""The slip that goes with a unit: plain text for a receipt printer, as wide as its paper."""

from __future__ import annotations

from collections import defaultdict
from textwrap import wrap
from typing import TYPE_CHECKING

from rig.reports.wording import short_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from db.history import FindingRow
    from rig.assess import Finding
    from rig.kept_visit import KeptVisit

COLUMNS = 40
"""What fits a label of common width as well."""
WIDTHS = (32, 40, 42, 48)
"""Common practice: characters a line of receipt printers on paper of 58 mm and 80 mm."""
NARROW = 40
MARKS = {
    "pass": "ok",
    "conditional pass": "ok?",
    "conditional fail": "NO?",
    "fail": "NO",
    "no decision": "--",
}


def slip(kept: KeptVisit, columns: int = COLUMNS) -> str:
    """Text of the slip; every line has at most ``columns`` ASCII characters, other characters show as '?'.

    :raises ValueError: fewer columns than a slip can be set in.
    """
    if columns < WIDTHS[0]:
        raise ValueError(f"a slip needs {WIDTHS[0]} columns, not {columns}")
    record, rule = kept.record, "-" * columns
    lines = [rule, *_wrapped(record.product, columns), *_identity(kept, columns)]
    if record.visit.demonstration:
        lines += _wrapped("DEMONSTRATION: invented unit and data", columns)
    corrected = " (corrected)" if len(record.visit.verdicts) > 1 else ""
    lines += [rule, *_wrapped(f"VERDICT: {kept.decision.upper()}{corrected}", columns)]
    lines += _wrapped(kept.reason, columns)
    for cause in kept.causes:
        lines += _wrapped(f"* {cause}", columns, "  ")
    findings = record.visit.as_left or record.visit.as_found
    if findings:
        lines += [rule, *_table(record.visit.as_found, findings, columns)]
    turned = ", ".join(f"{trim} {count}" for trim, count in kept.turned().items())
    if turned:
        lines += [rule, *_wrapped(f"Turned: {turned}", columns)]
    rules = ", ".join(dict.fromkeys(each.rule for each in findings))
    lines += [rule]
    lines += _wrapped(f"Rule: {rules}. U: expanded, 95 %.", columns) if rules else []
    lines += _wrapped(f"Record {record.visit.visit_id}", columns)
    lines += _wrapped(f"Sealed {kept.chain_head}", columns) if kept.chain_head else []
    lines.append(rule)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _identity(kept: KeptVisit, columns: int) -> list[str]:
    serial, when = printable(kept.record.serial), f"{kept.at:%Y-%m-%d %H:%M} UTC"
    if len(serial) + 1 + len(when) <= columns:
        first = [f"{serial}{when:>{columns - len(serial)}}"]
    else:
        first = [*_wrapped(serial, columns), when]
    batch = kept.record.batch_code or "unknown"
    return [*first, *_wrapped(f"Batch {batch}  rev {kept.revision}  {kept.record.visit.bench}", columns)]


def _table(found: Sequence[FindingRow], left: Sequence[FindingRow], columns: int) -> list[str]:
    """Findings, those of each oscillator below a line with its name where a unit has several."""
    as_found = {each.characteristic: each for each in found}
    name = columns - 25
    rows = [] if columns < NARROW else [f"{'':<{name}}{'found':>7} {'left':>7} {'U':>5}"]
    of: defaultdict[str, list[FindingRow]] = defaultdict(list)
    for each in left:
        of[each.characteristic.rpartition(".")[0]].append(each)
    for oscillator, findings in of.items():
        rows += _wrapped(f"Oscillator {oscillator}", columns) if oscillator else []
        for each in findings:
            before = as_found.get(each.characteristic, each)
            rows += _two_lines(before, each, columns) if columns < NARROW else [_one_line(before, each, name)]
    return [printable(row) for row in rows]


def _one_line(before: FindingRow, after: FindingRow, name: int) -> str:
    return (
        f"{short_name(after.characteristic)[:name]:<{name}}{_value(before):>7} {_value(after):>7} "
        f"{_doubt(after):>5} {_mark(after)}"
    )


def _two_lines(before: FindingRow, after: FindingRow, columns: int) -> tuple[str, str]:
    """A row for narrow paper: name and decision, and below them the numbers."""
    name = short_name(after.characteristic)[: columns - 4]
    numbers = f"  {_value(before)} > {_value(after)}  U {_doubt(after)}"
    return printable(f"{name:<{columns - 3}}{_mark(after):>3}"), printable(numbers)[:columns]


def _mark(finding: FindingRow) -> str:
    return MARKS.get(finding.decision, finding.decision[:3])


def _value(finding: FindingRow) -> str:
    if finding.value is None:
        return "-"
    if finding.unit == "V":
        return f"{finding.value:.3f}"
    signed = "+" if finding.lower_limit is not None and finding.lower_limit < 0.0 else ""
    return f"{finding.value:{signed}.{_digits(finding.value)}f}"


def _doubt(finding: FindingRow) -> str:
    doubt = finding.expanded_uncertainty
    if doubt is None:
        return "-"
    return f"{doubt:.4f}".lstrip("0") if finding.unit == "V" else f"{doubt:.{_digits(doubt)}f}"


def _digits(value: float) -> int:
    return 2 if abs(value) < 100.0 else 0


def _wrapped(text: str, columns: int, indent: str = "") -> list[str]:
    return wrap(printable(" ".join(text.split())), columns, subsequent_indent=indent, break_on_hyphens=False)


def printable(text: str) -> str:
    """A line as a receipt printer can print it: printable ASCII, everything else as '?'."""
    return "".join(each if " " <= each <= "~" else "?" for each in text)


def findings_lines(findings: Sequence[Finding]) -> list[str]:
    """Findings as lines for a terminal of eighty columns."""
    lines = []
    for each in findings:
        low, high = each.limits.low, each.limits.high
        limits = f"{'' if low is None else f'{low:g}'} .. {'' if high is None else f'{high:g}'}"
        lines.append(
            f"{each.label:<26}{each.value:>10.3f} {each.unit:<13} U {each.expanded_uncertainty:<8.2g} "
            f"({limits})  {each.decision.value}"
        )
    return lines

"""The verdict, large enough to be read while reaching for the next unit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from rig.operators.glyphs import large_letters, letters
from rig.operators.live_line import GOOD, STRONG, WARNING
from rig.science.conformity import Decision

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.operators.glyphs import Glyphs

BAD = "red"
# The large word, and the small one before it.
_WORDS = {
    Decision.PASS: ("PASS", "", GOOD),
    Decision.CONDITIONAL_PASS: ("PASS", "conditional", GOOD),
    Decision.CONDITIONAL_FAIL: ("FAIL", "conditional", BAD),
    Decision.FAIL: ("FAIL", "", BAD),
    Decision.NO_DECISION: ("NO DECISION", "", WARNING),
}


def verdict_lines(
    serial: str, decision: Decision, reason: str, causes: Sequence[str], width: int, glyphs: Glyphs
) -> list[Text]:
    """Lines of the verdict; its word is as large as the width allows, and stands in words as well."""
    word, before, style = _WORDS[decision]
    rows = large_letters(word, glyphs)
    if max(len(row) for row in rows) > width:
        rows = tuple(row for part in word.split() for row in letters(part, glyphs))
    if max(len(row) for row in rows) > width:
        rows = ()
    return [
        Text(),
        *([Text(before, style)] if before else []),
        *(Text(row, style) for row in rows),
        Text(f"{serial}: {decision.value.upper()}", STRONG),
        *([Text(reason)] if reason else []),
        *(Text(f"Likely cause: {cause}", WARNING) for cause in causes),
    ]

"""A line of free text at the operator's desk: letters, Backspace, Enter."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from rig.operators.desk import Burst, Notice
from rig.operators.keys import Key
from rig.operators.live_line import QUIET, WARNING
from rig.operators.screen import printable

if TYPE_CHECKING:
    from rig.operators.desk import Desk
    from rig.operators.screen import Screen

LONGEST = 400
"""Characters of a complaint that are kept."""


def typed_line(desk: Desk, screen: Screen) -> str:
    """Wait for a line; what is typed is drawn as it comes.

    :raises Stopped: at Ctrl-D, or when nobody is there any more.
    """
    text = ""
    while True:
        event = desk.next(None)
        if isinstance(event, Notice):
            screen.line(event.sentence, WARNING)
            continue
        if event is None:
            continue
        ended = False
        if isinstance(event, Burst):
            text, ended = text + event.text, event.ended
        elif event.key == Key.END:
            desk.stop("The operator stopped the visit.")
        elif event.key in (Key.ENTER, Key.TAB):
            ended = True
        elif event.key == Key.BACKSPACE:
            text = text[:-1]
        elif len(event.key) == 1 and event.key.isprintable():
            text += event.key
        text = text[:LONGEST]
        if ended:
            screen.wipe()
            return " ".join(printable(text).split())
        if screen.redraws:
            screen.paint([Text.assemble(("> ", QUIET), printable(text))])

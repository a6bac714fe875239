"""What a scanner or a keyboard hands in, before anything is known of it."""

from rig.errors import SerialProblem

LONGEST_SERIAL = 64


def clean_scan(scanned: str) -> str:
    """Take what a scanner adds around a serial away: blanks and the line end.

    :raises SerialProblem: nothing is left, or a control character stands inside.
    """
    serial = scanned.strip(" \t\r\n")
    if not serial:
        raise SerialProblem("The scan is empty: scan the serial again.")
    if any(not character.isprintable() for character in serial):
        raise SerialProblem(
            f"The scan {shown_short(serial)} has control characters in it: check the scanner's settings, then scan "
            "again."
        )
    return serial


def shown_short(text: str) -> str:
    """A scan as a message shows it: escaped, and not longer than a serial can be."""
    shown = ascii(text)
    return shown if len(shown) <= LONGEST_SERIAL else shown[: LONGEST_SERIAL - 3] + "..."

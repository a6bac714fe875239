"""Errors of SCPI by number.

Source: SCPI-1999 volume 2, 21.8 (numbers and texts).
"""

from __future__ import annotations

TEXTS = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -110: "Command header error",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -161: "Invalid block data",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -430: "Query DEADLOCKED",
    -440: "Query UNTERMINATED after indefinite response",
}


class ScpiError(Exception):
    """A program message unit that cannot be obeyed; the device turns it into an entry of its error queue."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(f"{code}, {TEXTS[code]}")
        self.code = code
        self.detail = detail

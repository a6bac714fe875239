"""Finding out by asking how an instrument spells what it can do, so that no model has to be known.

Every spelling is tried on the instrument itself. What it says about it decides: its error queue (SCPI-1999 volume
2, 21.8: -113 and relatives for a header that it does not know, -108 and -109 for parameters, -222 and -224 for
values), the standard event register where there is no queue, and where there is neither, whether a setting can be
read back.

``link`` finds what every message rests on; ``source``, ``meter`` and ``counter`` find what a role needs. Nothing
energises an output before it is known to be off, at 0 V, and limited.
"""

"""Names of what was judged, and what a decision rule means, in words for paper."""

from __future__ import annotations

from rig.science.conformity import Rule

NO_BREAK = "\u00a0"

LABELS = {
    "rail": "Reference rail",
    "scale_error": "Scale error",
    "tracking_musical": "Tracking, musical range",
    "tracking_full": "Tracking, full range",
    "highs_error": "Highs error",
    "base_pitch": "Base pitch",
    "knob_range": "Knob range",
    "knob_centre": "Knob centre",
    "drift_low": "Drift when warm, low end",
    "drift_high": "Drift when warm, high end",
    "response": "Response to the CV",
}
SHORT = {
    "rail": "Rail V",
    "scale_error": "Scale c/oct",
    "tracking_musical": "Track music c",
    "tracking_full": "Track full c",
    "highs_error": "Highs c",
    "base_pitch": "Base c",
    "knob_range": "Knob range c",
    "knob_centre": "Knob centre c",
    "drift_low": "Drift low c/min",
    "drift_high": "Drift hi c/min",
    "response": "CVs answered",
}
OCTAVE_STEP = "octave_step_"

RULES = {
    Rule.SIMPLE.value: (
        "A characteristic passes when its value lies inside the limits, and fails when it lies outside; the "
        "uncertainty is not held against it. For a value right at a limit the statement is as likely wrong as right "
        "(ILAC-G8:09/2019, 4.2.1)."
    ),
    Rule.GUARDED.value: (
        "A characteristic passes when its value lies inside the limits by its expanded uncertainty U or more, and "
        "fails when it lies outside by more than U: either statement is wrong in one case of forty at most. Between "
        "them the measurement alone does not tell: 'conditional pass' means inside the limits by less than U, "
        "'conditional fail' outside by no more than U (ILAC-G8:09/2019, 4.2.3)."
    ),
}
VERDICT_RULE = "The verdict on the unit is the worst of the decisions on its characteristics."
UNCERTAINTY = (
    "U is the expanded uncertainty: the value lies within plus or minus U of the true one with a probability of about "
    f"95{NO_BREAK}% (JCGM 100:2008, 6.2). For a worst error U reaches upwards only."
)
ERRORS = (
    "Tracking errors are distances from the nominal law after tuning across the musical range: their mean over its "
    "points is taken away, and base pitch is judged by itself."
)


def label(characteristic: str) -> str:
    """A characteristic as people name it, with its oscillator in front where a unit has several."""
    oscillator, _, name = characteristic.rpartition(".")
    spelt = name.replace("_", " ")
    known = LABELS.get(name, f"{spelt[:1].upper()}{spelt[1:]}")
    return f"{oscillator}: {known}" if oscillator else known


def short_name(characteristic: str) -> str:
    """A characteristic in a few letters, with its unit and without its oscillator; c for cents."""
    name = characteristic.rpartition(".")[2]
    short = SHORT.get(name, label(name))
    if name.startswith(OCTAVE_STEP):
        short = f"Octave {name.removeprefix(OCTAVE_STEP)} c"
    return short


def rule_meaning(rule: str) -> str:
    """What a decision rule means; an empty text for one that is not known here."""
    return RULES.get(rule, "")

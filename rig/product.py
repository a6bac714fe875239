"""What is built and what it must meet: a product file, checked.

Volts, hertz, seconds; cents, octaves and turns where the trade counts in them.
"""

from __future__ import annotations

import re
import warnings
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator
from stdnum.exceptions import ValidationError as CheckCharacterError
from stdnum.iso7064 import mod_37_36

from rig.errors import SerialProblem
from rig.scanned import LONGEST_SERIAL, shown_short
from rig.science.conformity import Rule
from rig.science.pitch import HertzPerVolt, VoltsPerOctave
from rig.tomlfile import Checked, Loaded, load

if TYPE_CHECKING:
    from pathlib import Path

    from rig.science.pitch import Law

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]


class Identity(Checked):
    """Which product this is."""

    code: Annotated[str, Field(min_length=1, max_length=16, pattern=r"^[A-Z0-9-]+$")]
    name: Annotated[str, Field(min_length=1, max_length=60)]
    revision: Annotated[str, Field(min_length=1, max_length=16)]
    demonstration: bool = False


class SerialFormat(Checked):
    """What a serial looks like.

    ``pattern`` is a regular expression with a group named ``batch``; with a check scheme the last character is
    the check character of all before it.
    """

    pattern: str
    example: str
    check: Literal["iso 7064 mod 37,36", "none"] = "none"

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str) -> str:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", FutureWarning)
                compiled = re.compile(pattern, re.ASCII)
        except (re.error, FutureWarning, OverflowError, RecursionError) as error:
            raise ValueError(f"not a regular expression ({error})") from None
        if "batch" not in compiled.groupindex:
            raise ValueError("it needs a group named batch, for instance (?P<batch>[0-9]{4})")
        return pattern

    @model_validator(mode="after")
    def _example_fits(self) -> Self:
        try:
            self.batch_of(self.example)
        except SerialProblem as error:
            raise ValueError(f"its own example does not fit: {error}") from None
        return self

    def batch_of(self, scanned: str) -> str:
        """Batch code of a serial.

        :raises SerialProblem: it does not fit the format, or its check character is wrong.
        """
        if len(scanned) > LONGEST_SERIAL:
            raise SerialProblem(
                f"The scan has {len(scanned)} characters; a serial has at most {LONGEST_SERIAL}: "
                "scan one unit at a time."
            )
        match = re.fullmatch(self.pattern, scanned, re.ASCII)
        if match is None:
            raise SerialProblem(
                f"{shown_short(scanned)} is not a serial of this product (one looks like {self.example}): scan it "
                "again."
            )
        if self.check != "none":
            self._require_check_character(scanned)
        return match["batch"]

    def _require_check_character(self, serial: str) -> None:
        try:
            mod_37_36.validate(serial)
        except CheckCharacterError:
            raise SerialProblem(
                f"The check character of {shown_short(serial)} is wrong, so a character was misread: scan or type it "
                "again."
            ) from None

    def with_check_character(self, body: str) -> str:
        """Serial from its body: the check character (ISO 7064 MOD 37,36) added where the format has one."""
        return body if self.check == "none" else body + str(mod_37_36.calc_check_digit(body))


class VoltsPerOctaveLaw(Checked):
    """Pitch proportional to CV."""

    kind: Literal["volts per octave"]
    volts_per_octave: Positive

    def law(self) -> Law:
        """The law as the science sees it."""
        return VoltsPerOctave(self.volts_per_octave)


class HertzPerVoltLaw(Checked):
    """Frequency proportional to CV."""

    kind: Literal["hertz per volt"]

    def law(self) -> Law:
        """The law as the science sees it."""
        return HertzPerVolt()


class Span(Checked):
    """A range of control voltage."""

    low_v: float
    high_v: float

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.low_v < self.high_v:
            raise ValueError(f"low_v ({self.low_v}) must lie below high_v ({self.high_v})")
        return self

    def holds(self, other: Span) -> bool:
        """Whether the other span lies inside this one."""
        return self.low_v <= other.low_v and other.high_v <= self.high_v


class Range(Checked):
    """Where the unit is played and swept, and its lowest note."""

    full: Span
    musical: Span
    absolute: Span
    points: Annotated[int, Field(ge=9, le=400)]
    base_cv_v: float
    lowest_note_hz: Positive

    @model_validator(mode="after")
    def _nested(self) -> Self:
        if not self.full.holds(self.musical):
            raise ValueError("the musical range must lie inside the full range")
        if not self.absolute.holds(self.full):
            raise ValueError("the full range must lie inside the absolute limits")
        if not self.full.low_v <= self.base_cv_v <= self.full.high_v:
            raise ValueError("base_cv_v must lie inside the full range")
        return self


class OctaveSwitch(Checked):
    """A switch that adds whole shares of the rail; ``octaves`` are its nominal steps, first position first."""

    positions: Annotated[tuple[str, ...], Field(min_length=2)]
    octaves: tuple[float, ...]
    read_at_cv_v: float

    @model_validator(mode="after")
    def _paired(self) -> Self:
        if len(self.positions) != len(self.octaves):
            raise ValueError("positions and octaves must have the same number of entries")
        if self.octaves[0] != 0.0:
            raise ValueError("the first position is the one of the sweep and must add 0 octaves")
        return self


class Knob(Checked):
    """The frequency knob; its stops repeat, its middle is set by a hand."""

    range_octaves: Positive
    read_at_cv_v: float
    repeatability_cents: NotNegative


class Controls(Checked):
    """Controls of the unit and how they stand in a sweep (switch at its first position, knob at its low stop)."""

    octave: OctaveSwitch | None = None
    knob: Knob | None = None


class TrimKind(StrEnum):
    """How a trim acts on pitch (see rig.science.trims)."""

    SCALE_COMMON = "scale at the common node"
    SCALE_INPUT = "scale at the CV input"
    HIGHS = "highs"
    BASE = "base"
    GAIN = "gain of a hertz-per-volt unit"
    RAIL = "rail"
    CENTRE = "centre"


SCALE_KINDS = (TrimKind.SCALE_COMMON, TrimKind.SCALE_INPUT, TrimKind.GAIN)


class StageName(StrEnum):
    """What a visit may go through; the product file says what and in which order."""

    WARM_UP = "warm-up"
    AS_FOUND = "as found"
    RAIL = "rail"
    SCALE = "scale"
    HIGHS = "highs"
    OCTAVE_STEPS = "octave steps"
    BASE = "base"
    KNOB = "knob"
    CLOSE_CASE = "close case"
    PROOF = "proof"


NEEDED_TRIMS: dict[StageName, tuple[TrimKind, ...]] = {
    StageName.RAIL: (TrimKind.RAIL,),
    StageName.SCALE: SCALE_KINDS,
    StageName.HIGHS: (TrimKind.HIGHS,),
    StageName.OCTAVE_STEPS: (TrimKind.RAIL,),
    StageName.BASE: (TrimKind.BASE,),
    StageName.KNOB: (TrimKind.CENTRE,),
}


class Trim(Checked):
    """One adjuster.

    ``effect_per_turn`` is the expected effect of one clockwise turn: relative for scale and rail, octaves for base
    and centre, seconds for highs. The pivot is given for a scale trim at the common node.
    """

    kind: TrimKind
    label: Annotated[str, Field(min_length=1, max_length=24)]
    turns: Positive
    effect_per_turn: float
    effect_per_turn_spread: NotNegative
    pivot_hz: Positive | None = None
    pivot_spread_octaves: Positive | None = None

    @model_validator(mode="after")
    def _pivot_where_it_belongs(self) -> Self:
        given = self.pivot_hz is not None and self.pivot_spread_octaves is not None
        if self.kind is TrimKind.SCALE_COMMON and not given:
            raise ValueError("a scale trim at the common node needs pivot_hz and pivot_spread_octaves")
        if self.kind is not TrimKind.SCALE_COMMON and (self.pivot_hz or self.pivot_spread_octaves):
            raise ValueError("only a scale trim at the common node has a pivot")
        if self.effect_per_turn == 0.0:
            raise ValueError("effect_per_turn must not be 0: a trim does something")
        return self


class RailLimit(Checked):
    """The reference rail: nominal and permitted deviation, V."""

    nominal_v: Positive
    plus_minus_v: Positive


class Limits(Checked):
    """Permitted deviations; a characteristic without a limit is not judged."""

    rail: RailLimit | None = None
    scale_error_cents_per_octave: Positive
    tracking_musical_cents: Positive
    tracking_full_cents: Positive
    highs_error_cents: Positive
    octave_step_cents: Positive | None = None
    base_pitch_cents: Positive
    knob_range_cents: Positive | None = None
    knob_centre_cents: Positive | None = None
    drift_cents_per_minute: Positive


class WarmUp(Checked):
    """When a unit counts as warm: the drift at both ends of the range, with its uncertainty, inside the limit."""

    minimum_s: NotNegative
    maximum_s: Positive
    window_s: Positive
    interval_s: Positive

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.maximum_s < self.minimum_s + self.window_s:
            raise ValueError("maximum_s must be at least minimum_s + window_s")
        if self.window_s < 4 * self.interval_s:
            raise ValueError("window_s must hold at least four intervals")
        return self


class Measuring(Checked):
    """How well and how patiently to measure."""

    uncertainty_cents: Positive
    settle_floor_s: NotNegative
    settle_ceiling_s: Positive
    noise_cents_at_1s: NotNegative
    model_misfit_cents: NotNegative
    sweep_drift_cents: Positive
    soak_s: NotNegative = 0.0
    longer_at_most_s: NotNegative = 60.0
    """How long a survey may read on where a decision is in doubt because readings scatter; 0 for never."""
    most_rounds: Annotated[int, Field(ge=1, le=10)] = 2
    """How often a unit is adjusted and proven anew before it goes to the fault shelf."""


class Product(Checked):
    """A product file."""

    product: Identity
    serial: SerialFormat
    law: Annotated[VoltsPerOctaveLaw | HertzPerVoltLaw, Field(discriminator="kind")]
    range: Range
    controls: Controls = Controls()
    stages: tuple[StageName, ...]
    oscillators: Annotated[tuple[str, ...], Field(min_length=1)] = ("",)
    """Names of the oscillators of one unit, each measured in turn; one without a name where there is but one."""
    trims: dict[Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,15}$")], Trim]
    limits: Limits
    decision_rule: Rule
    warm_up: WarmUp
    measuring: Measuring
    cautions: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    """What to see to before anything is turned, one sentence each."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        kinds = [trim.kind for trim in self.trims.values()]
        scales = [kind for kind in kinds if kind in SCALE_KINDS]
        others = [kind for kind in kinds if kind not in SCALE_KINDS]
        if len(scales) > 1 or len(others) != len(set(others)):
            raise ValueError("each kind of trim may stand in a product once, and scale in one place only")
        if TrimKind.RAIL in kinds and self.limits.rail is None:
            raise ValueError("a product with a rail trim needs limits.rail")
        if TrimKind.CENTRE in kinds and self.controls.knob is None:
            raise ValueError("a product with a centre trim needs controls.knob")
        if isinstance(self.law, HertzPerVoltLaw) and self.range.full.low_v <= 0.0:
            raise ValueError("range.full.low_v must be above 0 V for a hertz-per-volt law")
        if len(set(self.oscillators)) != len(self.oscillators):
            raise ValueError("oscillators must have different names")
        return self

    @model_validator(mode="after")
    def _stages_in_order(self) -> Self:
        stages = self.stages
        if len(set(stages)) != len(stages):
            raise ValueError("stages: each may stand once")
        if stages[:2] != (StageName.WARM_UP, StageName.AS_FOUND):
            raise ValueError("stages must begin with warm-up and as found: nothing is turned before it was measured")
        turning = [stage for stage in stages if stage in NEEDED_TRIMS]
        if turning and stages[-1] is not StageName.PROOF:
            raise ValueError("stages must end with proof: what was turned is measured again")
        if StageName.CLOSE_CASE in stages and stages[-2:] != (StageName.CLOSE_CASE, StageName.PROOF):
            raise ValueError("close case must stand just before proof")
        kinds = {trim.kind for trim in self.trims.values()}
        for stage in turning:
            if not kinds & set(NEEDED_TRIMS[stage]):
                wanted = " or ".join(kind.value for kind in NEEDED_TRIMS[stage])
                raise ValueError(f"the stage {stage.value} needs a trim of the kind {wanted}")
        if StageName.OCTAVE_STEPS in stages and self.controls.octave is None:
            raise ValueError("the stage octave steps needs controls.octave")
        return self

    def trim_of(self, *kinds: TrimKind) -> tuple[str, Trim] | None:
        """Name and description of the trim of one of these kinds, or None."""
        return next(((name, trim) for name, trim in self.trims.items() if trim.kind in kinds), None)


def load_product(path: Path) -> Loaded[Product]:
    """Read and check a product file.

    :raises FileProblem: it cannot be read or a field is wrong.
    """
    return load(path, Product, "product file")

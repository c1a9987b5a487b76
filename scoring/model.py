"""The score and all its parts: frozen values, written and read as JSON (``inkstrain/score/1``).

Units are in the names: ``_mm`` on paper with the print's scale removed, ``_de00`` CIEDE2000 (kL=kC=kH=1),
``_l`` CIE L*, ``_deg`` degrees, ``_jnd`` just-noticeable differences. Colours called ``lab`` are CIELAB for
D50 and the 2° observer, media-relative (paper white at L* = 100) unless a name says ``absolute``.
What could not be measured is ``None`` and a flag says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import Field

from inkstrain.targets.values import AliasedValue, Value

__all__ = [
    "BasisCheck",
    "Cast",
    "ColourBasis",
    "ColourUncertainty",
    "ColourVolume",
    "Conditions",
    "Contour",
    "DeltaE",
    "DeltaEPair",
    "ElementScore",
    "FallOff",
    "FlatBand",
    "FlatFieldScore",
    "HeadBanding",
    "HueChroma",
    "HueSweepScore",
    "HueSwing",
    "Hypothesis",
    "MissingLine",
    "NeutralWedgeScore",
    "PatchFieldScore",
    "PrintedAs",
    "Reversal",
    "RingProfile",
    "RingScore",
    "Ripple",
    "Score",
    "TileReading",
    "Totals",
]

Lab = tuple[float, float, float]
Pair = tuple[float, float]
Cause = Literal["profile", "print", "unknown"]


class Conditions(Value):
    """How the print was made and scanned, in the photographer's own words.

    ``print_name`` says which of several prints made the same way this is: scans of one print share it.
    ``drying_h`` is how long it dried before it was scanned, in hours; ``scanner`` names scanner and settings.
    """

    printer: str | None = None
    paper: str | None = None
    ink: str | None = None
    profile: str | None = None
    intent: str | None = None
    black_point_compensation: bool | None = None
    media_setting: str | None = None
    quality_setting: str | None = None
    date: str | None = None
    note: str | None = None
    print_name: str | None = None
    drying_h: Annotated[float, Field(ge=0)] | None = None
    scanner: str | None = None


class Residual(Value):
    """Error of the colour basis on colours it was not fitted to, in ΔE00.

    ``difference_share`` is the rms error of differences between alike colours, relative to their size.
    """

    median: float
    p95: float
    rms: float | None = None
    difference_share: float | None = None


class BasisCheck(Value):
    """How far this print's paper and black are from those that a scanner fit was made from, in ΔE00.

    ``belongs`` is false if anything speaks against the fit's being this print's own. Then ``fit_residual_de00``, how
    far the fit errs on its own paper and inks, says nothing of this print, and the basis has no residual.
    """

    paper_de00: float
    black_de00: float | None = None
    belongs: bool = True
    fit_residual_de00: Residual | None = None


class ColourBasis(Value):
    """How scan numbers became CIELAB, and how far to trust that."""

    kind: Literal["scanner-profile", "scanner-fit", "borrowed", "assumed", "instrument"]
    residual_de00: Residual | None = None
    note: str
    check: BasisCheck | None = None

    @property
    def foreign(self) -> bool:
        """Whether it is a fit that belongs to another paper or ink set, as far as can be told."""
        return self.check is not None and not self.check.belongs


class ColourUncertainty(Value):
    """What the standard uncertainties of this score's ΔE00 are made of; ``note`` says what is not in them.

    ``basis_de00`` is the part of the colour basis (``None`` if unknown), ``paper_l`` that of the paper's white. Times
    ``coverage_factor`` a standard uncertainty covers about 95 %.
    """

    coverage_factor: float
    basis_de00: float | None
    paper_l: float
    note: str


class Viewing(Value):
    """Conditions that visibility figures are stated for."""

    distance_mm: float
    luminance_cd_m2: float


class White(Value):
    """The unprinted paper: colour relative to the scanner's own white, and its standard error in L*.

    With a fit or an instrument the same colour is absolute, and stands in ``absolute_lab``, too. The standard
    uncertainty also holds the colour basis, where how wrong that is, is known.
    """

    lab: Lab
    standard_error_l: float | None = None
    standard_uncertainty_l: float | None = None
    absolute_lab: Lab | None = None
    absolute_density: float | None = None


class Black(Value):
    """The darkest neutral of the print: the black point, as CIELAB and as density.

    ``density`` is -log10(Y), media-relative (ISO 5-3 definition). Absolute values need a fit or an instrument.
    """

    lab: Lab
    density: float
    absolute_lab: Lab | None = None
    absolute_density: float | None = None
    standard_uncertainty_l: float | None = None


class TileReading(Value):
    """Where one tile was found in one scan, and how well it could be placed."""

    sheet: int
    tile: int
    scan: str
    scan_sha256: str
    dpi: Pair
    rotation_deg: float
    print_scale: Pair
    mark_residual_mm: MarkResidual
    blur_mm: float | None = None
    marks_used: int
    marks_expected: int
    bits_per_channel: int
    flags: tuple[str, ...] = ()


class MarkResidual(Value):
    """Leave-one-out distance between marks and the local map, on the print, in mm."""

    rms: float
    max: float


class Contour(Value):
    """An abrupt change of colour along a ramp: what a viewer calls a ring.

    ``width_limit_mm`` is what the scan's sharpness can tell: a width below it is anything up to it.
    ``contrast_range_de00`` is what contrast would be if the limit of twice the share were 8 % higher and lower, which
    is about what a scan tells of speed: wide if the ends hang on the limit, and from nothing if the contour does.
    ``contrast_standard_error_de00`` is the reading's own; the standard uncertainty also holds the colour basis, and is
    absent where how wrong that is, is not known.
    """

    radius_mm: float
    inner_mm: float
    outer_mm: float
    width_mm: float
    width_limit_mm: float | None = None
    contrast_de00: float
    contrast_range_de00: tuple[float, float] | None = None
    contrast_standard_error_de00: float | None = None
    contrast_standard_uncertainty_de00: float | None = None
    radius_standard_error_mm: float | None = None
    visibility_jnd: float | None
    visibility_standard_error_jnd: float | None = None
    cause: Cause = "unknown"


class FlatBand(Value):
    """A stretch where tones merged: the file moves on, the print does not."""

    inner_mm: float
    outer_mm: float
    width_mm: float
    lost_de00: float
    visibility_jnd: float | None = None
    visibility_standard_error_jnd: float | None = None
    cause: Cause = "unknown"


class HueSwing(Value):
    """A local departure of hue from its own smooth course, against the intended course.

    ``degrees`` is by IPT, ``other_ruler_deg`` by Jzazbz. The standard uncertainty is how far IPT's lines of one hue
    stray from the seen ones at this hue (rms, Munsell renotation), and half a ΔE of white point at this chroma.
    """

    radius_mm: float
    width_mm: float
    degrees: float
    delta_h: float
    uncertainty_deg: float | None = None
    other_ruler_deg: float | None = None
    rulers_disagree: bool = False
    visibility_jnd: float | None = None
    visibility_standard_error_jnd: float | None = None
    cause: Cause = "unknown"


class Reversal(Value):
    """A stretch where lightness runs the wrong way."""

    inner_mm: float
    outer_mm: float
    depth_l: float


class Ripple(Value):
    """A shallow wave about the smooth course, too small for a contour."""

    inner_mm: float
    outer_mm: float
    amplitude_l: float
    period_mm: float | None = None
    standard_error_l: float | None = None
    visibility_jnd: float | None
    visibility_standard_error_jnd: float | None = None


class FallOff(Value):
    """Radii, from the hub outwards, at which 10, 50 and 90 % of the printed path is covered."""

    p10: float
    p50: float
    p90: float


class DeltaE(Value):
    """Distribution of ΔE00 over an element.

    ``standard_uncertainty`` is that of the mean, ``single_standard_uncertainty`` that of one place, so of ``p95`` and
    ``max``; with ``uncertainty_is_lower_bound`` how wrong the colour basis is, is not in them. See the score's
    ``uncertainty``.
    """

    mean: float
    p95: float
    max: float
    standard_uncertainty: float | None = None
    single_standard_uncertainty: float | None = None
    uncertainty_is_lower_bound: bool = False


class DeltaEPair(Value):
    """Against what the file asked for, and against what the profile promised (``None`` if unknown)."""

    intended: DeltaE | None
    attainable: DeltaE | None = None


class HeadBanding(Value):
    """Stripes along one direction of the sheet; told apart from rings by running straight through a disc.

    ``across``: the stripes run along x and repeat along y; ``along``: the other way round. ``amplitude_de`` is the
    amplitude in CIELAB, a* and b* included.
    """

    period_mm: float
    amplitude_l: float
    direction: Literal["across", "along"] | None = None
    amplitude_de: float | None = None
    period_standard_error_mm: float | None = None
    standard_error_l: float | None = None


class MissingLine(Value):
    """A thin line with too little ink, as a failing nozzle leaves: ``across`` the sheet at y, ``along`` it at x."""

    direction: Literal["across", "along"]
    place_mm: float
    width_mm: float
    lift_l: float


class RingProfile(Value):
    """Radial profile of a ring: one row a bin, radius of the bin's centre in mm from the ring's centre."""

    radius_mm: tuple[float, ...]
    lab: tuple[Lab, ...]
    intended_lab: tuple[Lab, ...]
    attainable_lab: tuple[Lab, ...] | None = None
    standard_error_de00: tuple[float, ...]
    speed_de00_per_mm: tuple[float, ...] = ()
    intended_speed_de00_per_mm: tuple[float, ...] = ()


class RingScore(Value):
    """Everything measured on one ring."""

    id: str
    kind: Literal["ring-to-white", "ring-to-black"]
    hue: str
    sheet: int
    tile: int
    reach: float | None
    evenness: float | None
    profile: RingProfile
    contours: tuple[Contour, ...] = ()
    flat_bands: tuple[FlatBand, ...] = ()
    hue_swings: tuple[HueSwing, ...] = ()
    reversals: tuple[Reversal, ...] = ()
    ripples: tuple[Ripple, ...] = ()
    core_mm: float | None
    core_cause: Cause | None = None
    fall_off_mm: FallOff | None
    delta_e00: DeltaEPair
    head_banding: HeadBanding | None = None
    flags: tuple[str, ...] = ()


class Merged(Value):
    """Hues of a sweep that came out as one colour."""

    from_deg: float
    to_deg: float


class SweepRow(Value):
    """One row of a hue sweep; ``hue_deg`` is the intended hue position round the circle, 0 to 360."""

    level: Literal["full", "tint", "shade"]
    hue_deg: tuple[float, ...]
    lab: tuple[Lab, ...]
    intended_lab: tuple[Lab, ...]
    order_breaks: tuple[float, ...] = ()
    merged: tuple[Merged, ...] = ()
    chroma: tuple[float, ...] = ()
    standard_error_de00: tuple[float, ...] = ()
    delta_e00: DeltaEPair


class HueSweepScore(Value):
    """The hue sweeps of one tile."""

    id: str
    kind: Literal["hue-sweep"]
    sheet: int
    tile: int
    rows: tuple[SweepRow, ...]
    flags: tuple[str, ...] = ()


class WedgeStep(Value):
    """One neutral step. ``density`` is media-relative; ``lab`` likewise; visible is its edge to the step before."""

    step: int
    intended_l: float
    lab: Lab
    density: float | None
    standard_error_l: float
    visibility_jnd: float | None = None


class Cast(Value):
    """Departure from neutral: CIELAB chroma of the steps, media-relative."""

    max_c: float
    mean_c: float
    at_step: int
    a_at_max: float | None = None
    b_at_max: float | None = None


class WedgeBreak(Value):
    """Two neighbouring steps that do not climb: tied within their noise, or reversed."""

    after_step: int
    delta_l: float
    d_prime: float
    kind: Literal["tied", "reversed"]


class NeutralWedgeScore(Value):
    """The neutral wedge: steps from black to white, and the continuous ramp beside them.

    ``head_banding`` is what was found in it and taken out of its steps.
    """

    id: str
    kind: Literal["neutral-wedge"]
    sheet: int
    tile: int
    steps: tuple[WedgeStep, ...]
    monotonic: bool
    breaks: tuple[WedgeBreak, ...] = ()
    first_from_black: int | None
    first_from_white: int | None
    cast: Cast
    smoothness: float | None = None
    head_banding: HeadBanding | None = None
    delta_e00: DeltaEPair
    flags: tuple[str, ...] = ()


class PatchReading(Value):
    """One patch of a patch field, with its mean device values in the scan (linear light, 0 to 1), if it was scanned.

    The standard error is the reading's own; the standard uncertainty also holds basis and paper, where these are known.
    """

    patch: str
    lab: Lab
    intended_lab: Lab
    scan_linear: Lab | None = None
    standard_error_de00: float
    standard_uncertainty_de00: float | None = None


class PatchFieldScore(Value):
    """The patches of one field."""

    id: str
    kind: Literal["patch-field"]
    sheet: int
    tile: int
    patches: tuple[PatchReading, ...]
    delta_e00: DeltaEPair
    flags: tuple[str, ...] = ()


class FlatFieldScore(Value):
    """An even tint: its mean colour, how even it is, and stripes if there are any."""

    id: str
    kind: Literal["flat-field"]
    sheet: int
    tile: int
    lab: Lab
    intended_lab: Lab
    grain_l: float
    unevenness_l: float
    head_banding: HeadBanding | None = None
    missing_lines: tuple[MissingLine, ...] = ()
    delta_e00: DeltaEPair
    flags: tuple[str, ...] = ()


ElementScore = Annotated[
    RingScore | HueSweepScore | NeutralWedgeScore | PatchFieldScore | FlatFieldScore,
    Field(discriminator="kind"),
]


class MadeBy(Value):
    """The program that measured."""

    version: str


class CauseCounts(Value):
    """How many findings one cause has."""

    contours: int
    flat_bands: int
    hue_swings: int
    cores: int


class Totals(Value):
    """The score in five figures; evenness and reach are means over the rings.

    ``by_cause`` holds counts by ``profile``, ``print`` and ``unknown``, once a printer profile was given.
    """

    contours: int
    visible_contours: int | None
    surely_visible_contours: int | None = None
    widest_flat_band_mm: float
    evenness: float | None
    reach: float | None
    by_cause: dict[Cause, CauseCounts] | None = None


class HueChroma(Value):
    """Chroma that a hue reached at a lightness, what the file asked for there, and the printed CIELAB hue."""

    hue: str
    level_l: float
    chroma: float
    asked_chroma: float | None
    hue_deg: float


class ColourVolume(Value):
    """The part of CIELAB that the rings enclose, in cubic units; ``of_asked`` is its share of the file's.

    ``standard_error`` comes from the readings; ``between_hues`` is what a net of so few hues may miss. ``coverage`` is
    the share of the attainable gamut that was printed.
    """

    volume: float
    standard_error: float
    between_hues: float
    of_asked: float
    coverage: float | None = None
    chroma: tuple[HueChroma, ...] = ()


class Hypothesis(Value):
    """One way the print may have been made.

    ``misfit_de00`` is its mean distance from what was measured, ``apart_de00`` that from the best one's prediction.
    """

    name: str
    misfit_de00: float
    apart_de00: float


class PrintedAs(Value):
    """Which way of printing fits the measured colours best, and whether the stated one does.

    ``lead_de00`` is how much better the best fits than the stated one; ``not_told_from`` names those whose
    predictions are too close to the best one's to be told from it; hypotheses stand from the best to the worst.
    """

    stated: str
    best: str
    verdict: Literal["fits", "does-not-fit", "cannot-tell"]
    lead_de00: float
    lead_standard_error_de00: float | None
    not_told_from: tuple[str, ...] = ()
    nothing_fits: bool = False
    hypotheses: tuple[Hypothesis, ...]
    text: str


class Score(AliasedValue):
    """Everything measured from the scans of one print."""

    schema_id: Literal["inkstrain/score/1"] = Field(default="inkstrain/score/1", alias="schema")
    made_by: MadeBy
    chart: str
    recipe: str
    conditions: Conditions
    colour_basis: ColourBasis
    uncertainty: ColourUncertainty | None = None
    viewing: Viewing
    white: White
    black: Black | None
    tiles: tuple[TileReading, ...]
    elements: tuple[ElementScore, ...]
    totals: Totals
    printed_as: PrintedAs | None = None
    colour_volume: ColourVolume | None = None
    flags: tuple[str, ...] = ()

    def rings(self) -> Sequence[RingScore]:
        """Return the ring elements in chart order."""
        return [e for e in self.elements if isinstance(e, RingScore)]


TileReading.model_rebuild()

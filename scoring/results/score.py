"""The score and all its parts: frozen values, written and read as JSON (``inkstrain/score/2``, measures/2).

Units are in the names: ``_mm`` on paper with the print's scale removed, ``_de00`` CIEDE2000 (kL=kC=kH=1), ``_l`` CIE
L*, ``_deg`` degrees; ``visibility`` is in multiples of an eye's threshold. Colours called ``lab`` are CIELAB for D50
and the 2° observer, media-relative (paper white at L* = 100) unless a name says ``absolute``. ``noise`` is a standard
error from the scan itself, ``repeatability`` what a scanner differs by when it scans the same print again (standard
deviation), ``basis`` what the colour basis adds. What could not be measured is ``None`` and a flag says why. Figures
are rounded to a tenth or less of the smallest error that scans reach: 0.001 ΔE00, L* and °, 0.1 µm.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from inkstrain.targets.values import AliasedValue, Value

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "BasisCheck",
    "Cast",
    "ColourBasis",
    "ColourUncertainty",
    "ColourVolume",
    "Conditions",
    "Contour",
    "Course",
    "DeltaE",
    "DeltaEPair",
    "ElementScore",
    "Estimate",
    "FaintRing",
    "FallOff",
    "Flag",
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
    "RingScore",
    "Ripple",
    "Score",
    "Scored",
    "TileReading",
    "Totals",
    "plain_lab",
]

Cause = Literal["profile", "print", "both", "unknown"]


def _digits(number: int) -> Any:
    # adding nought takes the sign from a rounded -0.0
    return AfterValidator(lambda value: round(value, number) + 0.0)


Mm = Annotated[float, _digits(4)]
De00 = Annotated[float, _digits(3)]
Lightness = Annotated[float, _digits(3)]
Degrees = Annotated[float, _digits(3)]
Share = Annotated[float, _digits(4)]
Visibility = Annotated[float, _digits(2)]
_Axis = Annotated[float, Field(ge=-500, le=500), _digits(3)]
"""No colour of a paper or of a working space comes near the bounds; a file that says more is damaged or made up."""
Lab = tuple[_Axis, _Axis, _Axis]

_BINS: Final = 20_000
"""The most places of a course: a fade as wide as the largest sheet, 1600 mm, every 0.05 mm, has 16,000."""
Pair = tuple[float, float]


def plain_lab(values: Iterable[float]) -> Lab:
    """Return a colour, of an array say, as it is kept: three plain numbers."""
    a, b, c = map(float, values)
    return a, b, c


class Flag(Value):
    """Something to know about a score: a code for programs, where it is (an element's id, or empty), and a sentence.

    Reads a plain ``code: text`` as well.
    """

    code: str
    where: str = ""
    text: str

    @model_validator(mode="before")
    @classmethod
    def _of_text(cls, value: Any) -> Any:
        if not isinstance(value, str):
            return value
        code, _, text = value.partition(": ")
        return {"code": code, "text": text or code}

    @classmethod
    def of(cls, text: str, where: str = "") -> Flag:
        """Return the flag of a ``code: text``."""
        code, _, words = text.partition(": ")
        return cls(code=code, where=where, text=words or code)

    def __str__(self) -> str:
        return f"{self.code}: {self.text}"


class Estimate(Value):
    """A value with its standard error from the scan, and what scanning again adds to it; ``None`` if not known."""

    value: Share
    noise: Share | None = None
    repeatability: Share | None = None


class Scored(Estimate):
    """What so many stretches score in all, ΔE00."""

    stretches: int


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

    ``density`` is colorimetric and relative to paper: -log10 of Y over the paper's Y, D50 and 2°; no status
    density. Absolute values need a fit or an instrument.
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
    flags: tuple[Flag, ...] = ()


class MarkResidual(Value):
    """Leave-one-out distance between marks and the local map, on the print, in mm."""

    rms: float
    max: float


class Contour(Value):
    """A ring: a maximal scoring segment of printed speed less twice its share (Ruzzo & Tompa 1999).

    ``excess_de00`` is its score: by how much colour jumps beyond twice its share; ``contrast_de00`` is between the
    colours at its ends. ``radius_mm`` is the median of the excess. ``from_profile_de00`` is the attainable colours'
    excess over the same part of the path, ``from_print_de00`` the rest.
    """

    radius_mm: Mm
    inner_mm: Mm
    outer_mm: Mm
    width_mm: Mm
    excess_de00: De00
    contrast_de00: De00
    noise_de00: De00 | None = None
    repeatability_de00: De00 | None = None
    basis_de00: De00 | None = None
    radius_noise_mm: Mm | None = None
    width_noise_mm: Mm | None = None
    visibility: Visibility | None = None
    visibility_noise: Visibility | None = None
    from_profile_de00: De00 | None = None
    from_profile_noise_de00: De00 | None = None
    from_print_de00: De00 | None = None
    from_print_noise_de00: De00 | None = None
    cause: Cause = "unknown"


class FlatBand(Value):
    """Merged tones: a maximal scoring segment of half the share less printed speed.

    ``missing_de00`` is its score; ``lost_de00`` is the whole share less what was printed.
    """

    inner_mm: Mm
    outer_mm: Mm
    width_mm: Mm
    missing_de00: De00
    lost_de00: De00
    noise_de00: De00 | None = None
    repeatability_de00: De00 | None = None
    basis_de00: De00 | None = None
    width_noise_mm: Mm | None = None
    visibility: Visibility | None = None
    visibility_noise: Visibility | None = None
    from_profile_de00: De00 | None = None
    from_profile_noise_de00: De00 | None = None
    from_print_de00: De00 | None = None
    from_print_noise_de00: De00 | None = None
    cause: Cause = "unknown"


class FaintRing(Value):
    """A departure of colour from its own local course that an eye may see, and that no contour or flat band holds.

    The local course is a cubic over about a millimetre: of a bump that is 0.3 mm wide about 60 % is left, of one that
    is a millimetre wide 45 %.
    """

    radius_mm: Mm
    width_mm: Mm
    amplitude_de00: De00
    amplitude_l: Lightness
    noise_de00: De00 | None = None
    visibility: Visibility
    visibility_noise: Visibility | None = None
    cause: Cause = "unknown"


class HueSwing(Value):
    """A local departure of hue from its own smooth course, against the intended course.

    ``degrees`` is by IPT, ``other_ruler_deg`` by Jzazbz. ``noise_deg`` is the scan's own. ``ruler_deg`` is how far
    IPT's lines of one hue stray from the seen ones at this hue (rms, Munsell renotation), with half a ΔE of white point
    at this chroma. ``delta_h`` is 2 √(C₁ C₂) sin(Δh / 2) in CIELAB, printed hue against its course.
    """

    radius_mm: Mm
    width_mm: Mm
    degrees: Degrees
    delta_h: De00
    noise_deg: Degrees | None = None
    ruler_deg: Degrees | None = None
    other_ruler_deg: Degrees | None = None
    rulers_disagree: bool = False
    visibility: Visibility | None = None
    visibility_noise: Visibility | None = None
    cause: Cause = "unknown"


class Reversal(Value):
    """A stretch where lightness runs the wrong way."""

    inner_mm: Mm
    outer_mm: Mm
    depth_l: Lightness
    noise_l: Lightness | None = None


class Ripple(Value):
    """A run of faint rings with a period: a shallow wave about the smooth course."""

    inner_mm: Mm
    outer_mm: Mm
    amplitude_l: Lightness
    period_mm: Mm
    noise_l: Lightness | None = None
    visibility: Visibility | None = None
    visibility_noise: Visibility | None = None


class FallOff(Value):
    """Radii, from the hub outwards, at which 10, 50 and 90 % of the printed path is covered."""

    p10: Mm
    p50: Mm
    p90: Mm


class DeltaE(Value):
    """Distribution of ΔE00 over an element.

    ``standard_uncertainty`` is that of the mean, ``single_standard_uncertainty`` that of one place, so of ``p95`` and
    ``max``; with ``uncertainty_is_lower_bound`` how wrong the colour basis is, is not in them. See the score's
    ``uncertainty``.
    """

    mean: De00
    p95: De00
    max: De00
    standard_uncertainty: De00 | None = None
    single_standard_uncertainty: De00 | None = None
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


class Course(Value):
    """Colour against radius at the stated resolution, every 0.05 mm from the hub to the rim.

    ``standard_error_de00`` is the length of the standard errors along L*, a* and b* in ΔE00, from the sectors.
    """

    radius_mm: Annotated[tuple[Mm, ...], Field(max_length=_BINS)]
    lab: Annotated[tuple[Lab, ...], Field(max_length=_BINS)]
    intended_lab: Annotated[tuple[Lab, ...], Field(max_length=_BINS)]
    attainable_lab: Annotated[tuple[Lab, ...], Field(max_length=_BINS)] | None = None
    standard_error_de00: Annotated[tuple[De00, ...], Field(max_length=_BINS)]

    @model_validator(mode="after")
    def _check_lengths(self) -> Self:
        columns = (self.lab, self.intended_lab, self.attainable_lab, self.standard_error_de00)
        if any(column is not None and len(column) != len(self.radius_mm) for column in columns):
            raise ValueError("a course needs as many colours as radii")
        return self

    def arrays(self) -> dict[str, NDArray[np.float64]]:
        """Return what it holds by name as arrays: (n,) over the radius, (n, 3) of colours; what is unknown left out."""
        import numpy as np  # a ledger is listed without it

        return {name: np.asarray(values, dtype=np.float64) for name, values in self if values is not None}


class RingScore(Value):
    """Everything measured on one fade.

    ``resolution_mm`` is the Gaussian sigma that its course is stated at. ``reach`` is the length of the printed path
    over that of the intended one (a detour raises it), ``evenness`` how evenly what was printed is spread, by
    CIEDE2000, and ``evenness_second_metric`` by CAM16-UCS. ``excess`` and ``missing`` are what all stretches score
    that reach the limit of a contour or a flat band, also those that are not sure enough to be reported as one: a
    comparison weighs them by their error.
    """

    id: str
    kind: Literal["ring-to-white", "ring-to-black"]
    hue: str
    sheet: int
    tile: int
    resolution_mm: Mm | None = None
    reach: Share | None
    reach_noise: Share | None = None
    evenness: Share | None
    evenness_noise: Share | None = None
    evenness_second_metric: Share | None = None
    course: Course
    excess: Scored | None = None
    missing: Scored | None = None
    contours: tuple[Contour, ...] = ()
    flat_bands: tuple[FlatBand, ...] = ()
    faint_rings: tuple[FaintRing, ...] = ()
    hue_swings: tuple[HueSwing, ...] = ()
    reversals: tuple[Reversal, ...] = ()
    ripples: tuple[Ripple, ...] = ()
    core_mm: Estimate | None
    core_cause: Cause | None = None
    fall_off_mm: FallOff | None
    delta_e00: DeltaEPair
    head_banding: HeadBanding | None = None
    flags: tuple[Flag, ...] = ()


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

    @model_validator(mode="after")
    def _check_lengths(self) -> Self:
        if any(len(column) != len(self.hue_deg) for column in (self.lab, self.intended_lab)) or any(
            len(column) not in (0, len(self.hue_deg)) for column in (self.chroma, self.standard_error_de00)
        ):
            raise ValueError("a row needs as many colours as hues")
        return self


class HueSweepScore(Value):
    """The hue sweeps of one tile."""

    id: str
    kind: Literal["hue-sweep"]
    sheet: int
    tile: int
    rows: tuple[SweepRow, ...]
    flags: tuple[Flag, ...] = ()


class WedgeStep(Value):
    """One neutral step, against the step before it (the next darker one).

    ``density`` is colorimetric and relative to paper: -log10 of Y over the paper's Y, D50 and 2°. ``gain`` is ΔL*
    printed over ΔL* asked. ``visibility`` is that of the edge between the two; ``seen`` says whether it reaches 1
    threshold and 3 standard errors with the scanner's repeatability in them.
    """

    step: int
    intended_l: Lightness
    lab: Lab
    density: Share | None
    gain: Share | None = None
    noise_l: Lightness
    repeatability_l: Lightness | None = None
    visibility: Visibility | None = None
    seen: bool | None = None


class Cast(Value):
    """Departure from neutral: CIELAB chroma of the steps, media-relative."""

    max_c: De00
    mean_c: De00
    at_step: int
    a_at_max: De00 | None = None
    b_at_max: De00 | None = None
    mean_noise_c: De00 | None = None


class WedgeBreak(Value):
    """Two neighbouring steps that run back: the lighter one asked for is printed seen darker."""

    after_step: int
    delta_l: Lightness
    noise_l: Lightness


class NeutralWedgeScore(Value):
    """The neutral wedge: steps from black to white, and the continuous ramp beside them.

    ``breaks`` are steps that run back, ``merged`` the steps that are not seen apart from the step before; the scale is
    ``monotonic`` if no step runs back. ``first_from_black`` and ``first_from_white`` are the first steps seen apart
    from black and from paper. ``head_banding`` is what was found in it and taken out of its steps.
    """

    id: str
    kind: Literal["neutral-wedge"]
    sheet: int
    tile: int
    steps: tuple[WedgeStep, ...]
    monotonic: bool
    breaks: tuple[WedgeBreak, ...] = ()
    merged: tuple[int, ...] = ()
    first_from_black: int | None
    first_from_white: int | None
    cast: Cast
    smoothness: float | None = None
    head_banding: HeadBanding | None = None
    delta_e00: DeltaEPair
    flags: tuple[Flag, ...] = ()


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
    flags: tuple[Flag, ...] = ()


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
    flags: tuple[Flag, ...] = ()


ElementScore = Annotated[
    RingScore | HueSweepScore | NeutralWedgeScore | PatchFieldScore | FlatFieldScore,
    Field(discriminator="kind"),
]


class MadeBy(Value):
    """The program that measured, and by which definition of the measures."""

    version: str
    measures: Literal[2] = 2


class CauseCounts(Value):
    """How many findings one cause has."""

    contours: int
    flat_bands: int
    faint_rings: int
    hue_swings: int
    cores: int


class Totals(Value):
    """A print in a few figures, which a comparison asks first.

    ``excess_…`` and ``missing_…`` are the sums over the fades to white and to black of what their contours and flat
    bands score; ``colours`` is the mean ΔE00 from the intended colours. ``visible_rings`` counts contours and faint
    rings of 1 threshold or more. ``by_cause`` holds counts of findings, once a printer profile was given.
    """

    excess_to_white: Estimate | None = None
    excess_to_black: Estimate | None = None
    missing_to_white: Estimate | None = None
    missing_to_black: Estimate | None = None
    evenness: Estimate | None = None
    reach: Estimate | None = None
    black_l: Estimate | None = None
    mean_cast: Estimate | None = None
    colours: Estimate | None = None
    visible_rings: int | None = None
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
    """Everything measured from the scans of one print.

    ``resolution_mm`` is the Gaussian sigma that courses are stated at; a fade whose scan is less sharp says its own.
    """

    schema_id: Literal["inkstrain/score/2"] = Field(default="inkstrain/score/2", alias="schema")
    made_by: MadeBy
    chart: str
    recipe: str
    conditions: Conditions
    colour_basis: ColourBasis
    uncertainty: ColourUncertainty | None = None
    viewing: Viewing
    resolution_mm: Mm
    white: White
    black: Black | None
    tiles: tuple[TileReading, ...]
    elements: tuple[ElementScore, ...]
    totals: Totals
    printed_as: PrintedAs | None = None
    colour_volume: ColourVolume | None = None
    flags: tuple[Flag, ...] = ()

    def rings(self) -> Sequence[RingScore]:
        """Return the ring elements in chart order."""
        return [e for e in self.elements if isinstance(e, RingScore)]


TileReading.model_rebuild()

"""Small scores built by hand, for tests that need no picture: sixteen clean rings, a wedge and a sweep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from inkstrain.scoring.measure.totals import totals_of
from inkstrain.scoring.results.score import (
    Black,
    Cast,
    ColourBasis,
    Conditions,
    Contour,
    Course,
    DeltaE,
    DeltaEPair,
    Estimate,
    FallOff,
    FlatBand,
    HueSweepScore,
    MadeBy,
    MarkResidual,
    NeutralWedgeScore,
    RingScore,
    Score,
    SweepRow,
    TileReading,
    Viewing,
    WedgeStep,
    White,
)

HUES = ("red", "orange", "yellow", "green", "cyan", "blue", "violet", "magenta")
PATH_DE00 = 54.0  # 4 ΔE00 a mm over a ramp of 13.5 mm
_PAIR = DeltaEPair(intended=DeltaE(mean=2.0, p95=4.0, max=6.0))
_BINS = 136


def _course() -> Course:
    share = [i / (_BINS - 1) for i in range(_BINS)]
    lab = tuple((100.0 - 60.0 * s, 40.0 * s, 0.0) for s in share)
    return Course(
        radius_mm=tuple(3.0 + 13.5 * s for s in share),
        lab=lab,
        intended_lab=lab,
        standard_error_de00=(0.05,) * _BINS,
    )


COURSE = _course()


def ring(
    hue: str,
    end: str = "white",
    *,
    contours: Sequence[tuple[float, float]] = (),
    flats: Sequence[tuple[float, float]] = (),
    **figures: object,
) -> RingScore:
    """Return a fade; contours are (radius mm, excess ΔE00), flats (inner mm, outer mm)."""
    return RingScore.model_validate(
        {
            "id": f"ring-to-{end}-{hue}",
            "kind": f"ring-to-{end}",
            "hue": hue,
            "sheet": 1,
            "tile": 1,
            "course": COURSE,
            "contours": tuple(
                Contour(
                    radius_mm=radius,
                    inner_mm=radius - 0.2,
                    outer_mm=radius + 0.2,
                    width_mm=0.4,
                    excess_de00=excess,
                    contrast_de00=excess + 3.2,  # 2 × 4 ΔE00 a mm over 0.4 mm
                    noise_de00=0.1,
                    visibility=2.0 * excess,
                    visibility_noise=0.2,
                )
                for radius, excess in contours
            ),
            "flat_bands": tuple(
                FlatBand(
                    inner_mm=inner,
                    outer_mm=outer,
                    width_mm=outer - inner,
                    missing_de00=2.0 * (outer - inner),  # half of 4 ΔE00 a mm
                    lost_de00=4.0 * (outer - inner),
                    noise_de00=0.1,
                )
                for inner, outer in flats
            ),
            "fall_off_mm": FallOff(p10=5.0, p50=9.0, p90=15.0),
            "delta_e00": _PAIR,
            **{"evenness": 0.95, "reach": 0.9, "core_mm": Estimate(value=0.4, noise=0.02), **figures},
        }
    )


def wedge(*, cast: float = 1.2, first_from_black: int | None = 2, monotonic: bool = True) -> NeutralWedgeScore:
    """Return a wedge of 21 steps."""
    return NeutralWedgeScore(
        id="neutral-wedge",
        kind="neutral-wedge",
        sheet=1,
        tile=1,
        steps=tuple(
            WedgeStep(
                step=i,
                intended_l=5.0 * i,
                lab=(5.0 * i, 0.0, 0.0),
                density=None,
                gain=1.0 if i else None,
                noise_l=0.05,
                visibility=20.0 if i else None,
                seen=True if i else None,
            )
            for i in range(21)
        ),
        monotonic=monotonic,
        first_from_black=first_from_black,
        first_from_white=1,
        cast=Cast(max_c=cast, mean_c=cast / 2, at_step=4, a_at_max=cast, b_at_max=0.0),
        delta_e00=_PAIR,
    )


def sweep(*, merged: Sequence[tuple[float, float]] = (), chroma: float = 60.0) -> HueSweepScore:
    """Return a sweep of three rows, with merged stretches in the first."""
    count = 180
    return HueSweepScore.model_validate(
        {
            "id": "hue-sweep",
            "kind": "hue-sweep",
            "sheet": 1,
            "tile": 1,
            "rows": tuple(
                SweepRow.model_validate(
                    {
                        "level": level,
                        "hue_deg": tuple(2.0 * i for i in range(count)),
                        "lab": ((50.0, 0.0, 0.0),) * count,
                        "intended_lab": ((50.0, 0.0, 0.0),) * count,
                        "merged": [{"from_deg": a, "to_deg": b} for a, b in merged] if level == "full" else (),
                        "chroma": (chroma,) * count,
                        "delta_e00": _PAIR,
                    }
                )
                for level in ("full", "tint", "shade")
            ),
        }
    )


def score(
    *others: RingScore | NeutralWedgeScore | HueSweepScore,
    conditions: Conditions | None = None,
    basis: str = "scanner-profile",
    dpi: float = 300.0,
    sha256: str = "a" * 64,
    chart: str = "CHARTAAA",
    black_l: float | None = 8.0,
    only: bool = False,
) -> Score:
    """Return a clean score in which ``others`` replace the elements of the same id (or stand alone)."""
    given: Mapping[str, object] = {element.id: element for element in others}
    clean = [ring(hue, end) for end in ("white", "black") for hue in HUES]
    elements = [given.get(e.id, e) for e in (*clean, wedge(), sweep())]
    shown = tuple(others if only else elements)
    black = None if black_l is None else Black(lab=(black_l, 0.0, 0.0), density=2.05)
    return Score(
        made_by=MadeBy(version="0.1.0"),
        chart=chart,
        recipe="INKSTRAIN/1/A4/ADOBE-RGB/EVEN/8/360/216X297/ALL",
        conditions=conditions or Conditions(),
        colour_basis=ColourBasis.model_validate({"kind": basis, "note": "invented for a test"}),
        viewing=Viewing(distance_mm=300.0, luminance_cd_m2=160.0),
        resolution_mm=0.1,
        white=White(lab=(100.0, 0.0, 0.0)),
        black=black,
        tiles=(
            TileReading(
                sheet=1,
                tile=1,
                scan="scan.tif",
                scan_sha256=sha256,
                dpi=(dpi, dpi),
                rotation_deg=0.3,
                print_scale=(1.0, 1.0),
                mark_residual_mm=MarkResidual(rms=0.01, max=0.03),
                marks_used=70,
                marks_expected=70,
                bits_per_channel=16,
            ),
        ),
        elements=shown,
        totals=totals_of(shown, black),
    )

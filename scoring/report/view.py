"""What the report shows, built from a score: small frozen values for the template, no arithmetic there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TypeVar

from markupsafe import Markup

from inkstrain.targets.key import Key

from ..judge.judge import Verdict
from ..measure.gamut import LEVELS_L
from ..results.crops import Crop
from ..results.figures import NOT_MEASURED, figure, number
from ..results.score import (
    ColourBasis,
    Conditions,
    Estimate,
    FlatFieldScore,
    HueSweepScore,
    NeutralWedgeScore,
    PatchFieldScore,
    Score,
    TileReading,
)
from ..words.phrases import error_words, flag_words, in_reading_order, volume_words
from ..words.score import Summary, summarise
from .elementviews import FlatView, PatchView, SweepView, WedgeView, flat_view, patch_view, sweep_view, wedge_view
from .gamutplot import hue_polar, outline
from .geometry import sweep_of
from .ringview import Fact, RingView, chroma_top, first_picture, ring_view, severity

__all__ = ["ReportView", "basis_words", "build_view", "condition_rows", "tile_rows"]

_T = TypeVar("_T")

_ON_FIRST_SCREEN = 3

_BASES = {
    "scanner-profile": "The scanner's own ICC profile turned scan numbers into colour.",
    "scanner-fit": "A fit of this scanner to measured patches turned scan numbers into colour. It belongs to the "
    "paper and ink it was made with.",
    "borrowed": "The printer profile's own predictions were borrowed to fit the scanner, so a fault of that profile "
    "may hide in the colours.",
    "instrument": "An instrument measured the print; nothing was scanned.",
    "assumed": "How this scanner sees is not known: its numbers were read as those of a working space. Widths, order "
    "and evenness stand. Every colour difference (ΔE00, cast, hue) is only indicative.",
}

_BASIS_NAMES = {
    "scanner-profile": "scanner profile",
    "scanner-fit": "scanner fit",
    "borrowed": "borrowed",
    "assumed": "assumed",
    "instrument": "instrument",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportView:
    """The whole page: ``rings`` with the worst first, ``worst`` those of the first screen, each with a picture."""

    chart: str
    version: str
    summary: Summary
    totals: tuple[Fact, ...]
    verdict: Verdict | None
    rings: tuple[RingView, ...]
    worst: tuple[tuple[RingView, Markup], ...]
    greys: str
    sweeps: tuple[SweepView, ...]
    wedges: tuple[WedgeView, ...]
    patches: tuple[PatchView, ...]
    flats: tuple[FlatView, ...]
    conditions: tuple[tuple[str, str], ...]
    paper: tuple[Fact, ...]
    tiles: tuple[tuple[tuple[str, str], ...], ...]
    basis_name: str
    basis: tuple[str, ...]
    viewing: str
    resolution: str
    flags: tuple[str, ...]
    volume: tuple[str, Markup] | None


def build_view(score: Score, crops: Mapping[str, Crop], key: Key | None, verdict: Verdict | None) -> ReportView:
    """Build the page's values; the same score and crops give the same values."""
    rings = in_reading_order(score.rings())
    worst = sorted(rings, key=severity, reverse=True)[:_ON_FIRST_SCREEN]
    c_top = chroma_top([lab for r in rings for lab in (r.course.lab, r.course.intended_lab)])
    space = key.space if key is not None else None
    views = {r.id: ring_view(f"ring-{n}", r, crops.get(r.id), key, c_top) for n, r in enumerate(rings, 1)}
    return ReportView(
        chart=score.chart,
        version=score.made_by.version,
        summary=summarise(score),
        totals=_totals(score),
        verdict=verdict,
        rings=tuple(sorted(views.values(), key=lambda view: view.severity, reverse=True)),
        worst=tuple((views[r.id], first_picture(views[r.id].anchor, r, crops.get(r.id), key)) for r in worst),
        greys=_grey_words(score),
        sweeps=tuple(
            sweep_view(f"sweep-{n}", e, crops.get(e.id), sweep_of(key, e.id), space)
            for n, e in enumerate(_of(score, HueSweepScore), 1)
        ),
        wedges=tuple(
            wedge_view(f"wedge-{n}", e, crops.get(e.id)) for n, e in enumerate(_of(score, NeutralWedgeScore), 1)
        ),
        patches=tuple(
            patch_view(f"patches-{n}", e, crops.get(e.id)) for n, e in enumerate(_of(score, PatchFieldScore), 1)
        ),
        flats=tuple(flat_view(e, crops.get(e.id)) for e in _of(score, FlatFieldScore)),
        conditions=condition_rows(score.conditions),
        paper=_paper(score),
        tiles=tuple(tile_rows(tile) for tile in score.tiles),
        basis_name=_BASIS_NAMES[score.colour_basis.kind],
        basis=(*basis_words(score.colour_basis), *_trust_words(score)),
        viewing=f"{number(score.viewing.distance_mm, 0, 'mm')} at {number(score.viewing.luminance_cd_m2, 0, 'cd/m²')}",
        resolution=number(score.resolution_mm, 2, "mm"),
        flags=tuple(flag_words(flag) for flag in score.flags),
        volume=_volume(score),
    )


def _grey_words(score: Score) -> str:
    """Return how deep black is and how far greys stray, in a line."""
    totals, said = score.totals, []
    if totals.black_l is not None:
        said.append(f"Darkest black: {_estimate(totals.black_l, 'L*')}")
    if totals.mean_cast is not None:
        said.append(f"greys stray from neutral by {_estimate(totals.mean_cast, 'C*')} on average")
    return "; ".join(said) + "." if said else ""


def _trust_words(score: Score) -> Iterator[str]:
    """Yield how this print's paper and black agree with the fit's, and what the stated uncertainties hold."""
    check = score.colour_basis.check
    if check is not None:
        black = "" if check.black_de00 is None else f", its black {number(check.black_de00, 1, 'ΔE00')}"
        yield f"This paper's white is {number(check.paper_de00, 1, 'ΔE00')} from that of the fit{black}."
    if score.uncertainty is not None:
        yield f"{score.uncertainty.note} What stands after ± of a ΔE00 to the file or to the profile is that much."


def _volume(score: Score) -> tuple[str, Markup] | None:
    volume = score.colour_volume
    if volume is None:
        return None
    lines = [(outline(volume, level), f"print-{n}") for n, level in enumerate(LEVELS_L, 1)]
    return volume_words(volume), hue_polar("colour-volume", lines, "Chroma reached by hue at three lightnesses")


def _of(score: Score, kind: type[_T]) -> list[_T]:
    return [e for e in score.elements if isinstance(e, kind)]


def _totals(score: Score) -> tuple[Fact, ...]:
    totals, viewing = score.totals, score.viewing
    seen = (
        f"rings and faint rings of 1 threshold or more, at {number(viewing.distance_mm, 0, 'mm')} and "
        f"{number(viewing.luminance_cd_m2, 0, 'cd/m²')}"
    )
    count = NOT_MEASURED if totals.visible_rings is None else str(totals.visible_rings)
    return (
        Fact(name="visible rings", value=count, meaning=seen),
        Fact(name="evenness", value=_estimate(totals.evenness), meaning="mean of the fades; 1 is even"),
        Fact(name="reach", value=_estimate(totals.reach), meaning="length of the printed path over the path asked for"),
        Fact(name="darkest black", value=_estimate(totals.black_l, "L*"), meaning="relative to the paper"),
        Fact(name="cast of greys", value=_estimate(totals.mean_cast, "C*"), meaning="mean of the neutral steps"),
    )


def _estimate(estimate: Estimate | None, unit: str = "") -> str:
    return NOT_MEASURED if estimate is None else figure(estimate.value, estimate.noise, unit)


def condition_rows(conditions: Conditions) -> tuple[tuple[str, str], ...]:
    """Return the conditions as (name, words); what was not stated says so."""
    compensation = {None: None, True: "on", False: "off"}[conditions.black_point_compensation]
    rows = (
        ("printer", conditions.printer),
        ("paper", conditions.paper),
        ("ink", conditions.ink),
        ("profile", conditions.profile),
        ("intent", conditions.intent),
        ("black point compensation", compensation),
        ("media setting", conditions.media_setting),
        ("quality setting", conditions.quality_setting),
        ("date", conditions.date),
        ("note", conditions.note),
        ("print", conditions.print_name),
        ("drying time", None if conditions.drying_h is None else f"{conditions.drying_h:g}\u00a0h"),
        ("scanner", conditions.scanner),
    )
    return tuple((name, value or "not stated") for name, value in rows)


def _paper(score: Score) -> tuple[Fact, ...]:
    white, a, b = score.white.lab
    absolute = score.white.absolute_lab is not None
    unsure = score.white.standard_uncertainty_l if absolute else score.white.standard_error_l
    against = "a perfect white" if absolute else "the scanner's own white"
    facts = [
        Fact(
            name="paper white",
            value=f"L*\u00a0{figure(white, unsure)}, a*\u00a0{number(a)}, b*\u00a0{number(b)}",
            meaning=f"against {against}; all other colours are relative to this paper",
        )
    ]
    black = score.black
    if black is not None:
        lightness = figure(black.lab[0], black.standard_uncertainty_l, digits=1)
        scanned = "" if score.colour_basis.kind == "instrument" else "; stray light in a flatbed makes blacks lighter"
        facts.append(
            Fact(
                name="darkest black",
                value=f"L*\u00a0{lightness}, density {number(black.density, 2)}",
                meaning=f"both relative to the paper; density is colorimetric, −log₁₀ of Y{scanned}",
            )
        )
        if black.absolute_lab is not None:
            facts.append(
                Fact(
                    name="the same, absolute",
                    value=f"L*\u00a0{number(black.absolute_lab[0])}, density {number(black.absolute_density, 2)}",
                    meaning=f"against a perfect white{_doubt(score.colour_basis)}",
                )
            )
    return tuple(facts)


def _doubt(basis: ColourBasis) -> str:
    if basis.foreign:
        return "; the fit is another paper's or ink's"
    return ", by the printer profile's word" if basis.kind == "borrowed" else ""


def tile_rows(tile: TileReading) -> tuple[tuple[str, str], ...]:
    """Return how one tile was read as (name, words)."""
    (dpi_x, dpi_y), (scale_x, scale_y) = tile.dpi, tile.print_scale
    flags = "; ".join(flag_words(flag) for flag in tile.flags)
    return (
        ("tile", f"sheet {tile.sheet}, tile {tile.tile}"),
        ("scan", tile.scan),
        ("resolution", f"{dpi_x:.4g} × {dpi_y:.4g}\u00a0dpi, {tile.bits_per_channel}\u00a0bit"),
        ("turned by", number(tile.rotation_deg, 2, "°")),
        ("size", f"{number(100 * scale_x, 2)} × {number(100 * scale_y, 2, '%')}, print and scanner together"),
        ("marks", f"{tile.marks_used} of {tile.marks_expected}"),
        (
            "mark residual",
            f"{number(tile.mark_residual_mm.rms, 3)} rms, {number(tile.mark_residual_mm.max, 3, 'mm')} at most",
        ),
        ("sharpness of the scan", f"Gaussian sigma {number(tile.blur_mm, 2, 'mm')}"),
        ("noted", flags or "nothing"),
    )


def basis_words(basis: ColourBasis) -> tuple[str, ...]:
    """Return what the colour basis is, in sentences."""
    sentences = [_BASES[basis.kind]]
    if basis.note:
        sentences.append(basis.note)
    if basis.kind != "assumed":
        sentences.append(error_words(basis))
    return tuple(sentences)

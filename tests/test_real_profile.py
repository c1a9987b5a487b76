"""A real printer profile, the CMYK table that libvips carries: where each intent breaks into rings, at 300 and 600 dpi.

The print is rehearsed through the profile, so the truth is what the profile's own table says along each ramp.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from inkstrain.scoring.measure import ScoreOptions, score_scans
from inkstrain.scoring.model import Conditions, RingScore, Score
from inkstrain.scoring.report import report_html
from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import IccPrinter, PrintOptions, ScanOptions, Truth, rehearse

RECIPE = Recipe(sheet="120x225", hues=3, only=("ring-to-white", "ring-to-black", "neutral-wedge"))
PRINT = PrintOptions(grain=0.02)
SHARE = 0.02  # of evenness and reach, between the resolutions
TRUE_SHARE = 0.035  # of both, against the table itself: its finest unevenness is finer than a scan
RING_MM = 0.15
TABLE_MM = 0.2
RING_DE00 = 1.8
"""A table makes no hard steps but stretches that just reach twice their share, so that their ends are uncertain.

Each resolution is off the table's own figure by up to 1.3 ΔE00 (measured), and the two by up to 1.6 from each other.
"""
CERTAIN_DE00 = 2.0
"""Weaker rings may be found at one resolution and not at the other: 1 ΔE00 is where they begin."""
BAND_MM = 0.5
CERTAIN_BAND_DE00 = 3.0
COLOUR_DE00 = (0.1, 0.4)  # mean and largest, between the resolutions
NEUTRAL_L = 0.1


@dataclass(frozen=True)
class Cluster:
    """Contours that touch each other: one ring to the eye."""

    inner_mm: float
    outer_mm: float
    radius_mm: float
    contrast_de00: float


def clusters(ring: RingScore) -> list[Cluster]:
    found: list[Cluster] = []
    for contour in ring.contours:
        last = found[-1] if found else None
        if last is not None and contour.inner_mm - last.outer_mm < 0.3:
            total = last.contrast_de00 + contour.contrast_de00
            middle = last.radius_mm * last.contrast_de00 + contour.radius_mm * contour.contrast_de00
            found[-1] = Cluster(last.inner_mm, contour.outer_mm, middle / total, total)
        else:
            found.append(Cluster(contour.inner_mm, contour.outer_mm, contour.radius_mm, contour.contrast_de00))
    return found


@pytest.fixture(scope="module")
def profile() -> bytes:
    pyvips = pytest.importorskip("pyvips")
    return bytes(pyvips.Operation.call("profile_load", "cmyk"))


def printed_and_scored(
    folder: Path, profile: bytes, intent: Literal["perceptual", "relative"], dpi: float
) -> tuple[Score, Truth, str]:
    path = folder / f"{intent}-{dpi:.0f}.tif"
    scan = ScanOptions(dpi=dpi, rotation_deg=1.5, stretch=(0.003, 0.0), wobble_mm=0.05, blur_mm=0.06)
    printer = IccPrinter(profile, intent)
    truth = rehearse(RECIPE, path, printer=printer, print_options=PRINT, scan_options=scan, seed=5)
    measured = score_scans([path], conditions=Conditions(intent=intent), options=ScoreOptions(crops=True))
    path.unlink()
    return measured.score, truth, report_html(measured.score, measured.crops, None)


@pytest.mark.parametrize("intent", ["perceptual", "relative"])
def test_where_an_intent_breaks_into_rings(
    tmp_path: Path, profile: bytes, intent: Literal["perceptual", "relative"]
) -> None:
    coarse, truth, _ = printed_and_scored(tmp_path, profile, intent, 300)
    fine, _, page = printed_and_scored(tmp_path, profile, intent, 600)
    for score in (coarse, fine):
        assert [tile.flags for tile in score.tiles] == [()]
        assert score.black is not None
        assert score.black.lab == pytest.approx(truth.printer.black_lab, abs=NEUTRAL_L)
        assert score.totals.contours == sum(len(ring.contours) for ring in score.rings())
    for one, other in zip(coarse.rings(), fine.rings(), strict=True):
        check_same_course(one, other)
        check_same_rings(one, other)
        check_same_bands(one, other)
        check_against_the_table(other, truth)
        check_in_report(other, page)
    # what this profile does is known: its relative rendering is cut off at the gamut's edge and breaks on red
    red = next(ring for ring in fine.rings() if ring.id == "ring-to-black-red")
    strongest = max((contour.contrast_de00 for contour in red.contours), default=0.0)
    assert (strongest > CERTAIN_DE00) == (intent == "relative")
    assert red.flat_bands


def check_same_course(one: RingScore, other: RingScore) -> None:
    assert one.id == other.id
    for measure in ("evenness", "reach"):
        assert getattr(one, measure) == pytest.approx(getattr(other, measure), abs=SHARE), (one.id, measure)
    assert one.core_mm == pytest.approx(other.core_mm, abs=0.1)
    radius = np.arange(3.5, 15.0, 0.1)
    seen = [
        np.stack([np.interp(radius, ring.profile.radius_mm, c) for c in np.array(ring.profile.lab).T], axis=1)
        for ring in (one, other)
    ]
    away = delta_e00(*seen)
    assert away.mean() < COLOUR_DE00[0], one.id
    assert away.max() < COLOUR_DE00[1], one.id


def check_same_rings(one: RingScore, other: RingScore) -> None:
    for a, b in ((one, other), (other, one)):
        for ring in clusters(a):
            if ring.contrast_de00 < CERTAIN_DE00:
                continue
            near = [c for c in clusters(b) if abs(c.radius_mm - ring.radius_mm) < RING_MM]
            assert near, (a.id, ring, clusters(b))
            assert near[0].contrast_de00 == pytest.approx(ring.contrast_de00, abs=RING_DE00), (a.id, ring)


def check_same_bands(one: RingScore, other: RingScore) -> None:
    for a, b in ((one, other), (other, one)):
        for band in a.flat_bands:
            if band.lost_de00 >= CERTAIN_BAND_DE00:
                near = [c for c in b.flat_bands if c.inner_mm < band.outer_mm and band.inner_mm < c.outer_mm]
                assert near, (a.id, band)
                assert near[0].inner_mm == pytest.approx(band.inner_mm, abs=BAND_MM)
                assert near[0].outer_mm == pytest.approx(band.outer_mm, abs=BAND_MM)


def check_against_the_table(ring: RingScore, truth: Truth) -> None:
    """Check a ring at 600 dpi against what the profile says."""
    table = truth.ring(ring.id)
    assert ring.evenness == pytest.approx(table.evenness, abs=TRUE_SHARE), ring.id
    assert ring.reach == pytest.approx(table.reach, abs=TRUE_SHARE), ring.id
    assert ring.core_mm == pytest.approx(table.core_mm, abs=0.1), ring.id
    for contour in table.other_contours:
        if contour.contrast_de00 >= CERTAIN_DE00:
            assert any(abs(c.radius_mm - contour.radius_mm) < TABLE_MM for c in clusters(ring)), (ring.id, contour)
    for band in table.other_flat_bands:
        if band.lost_de00 >= CERTAIN_BAND_DE00:
            assert any(c.inner_mm < band.outer_mm and band.inner_mm < c.outer_mm for c in ring.flat_bands), ring.id
    # and nothing strong that the profile does not have
    for found in clusters(ring):
        if found.contrast_de00 >= 1.5 * CERTAIN_DE00:
            assert any(abs(c.radius_mm - found.radius_mm) < TABLE_MM for c in table.other_contours), (ring.id, found)


def check_in_report(ring: RingScore, page: str) -> None:
    end = ring.kind.removeprefix("ring-")
    heading = page.partition(f">{ring.hue.capitalize()} {end.replace('-', ' ')}<")[2]
    assert heading, ring.id
    for contour in ring.contours:
        assert f"{contour.radius_mm:.1f}" in heading[:400], (ring.id, contour.radius_mm)

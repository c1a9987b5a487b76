"""Strips of a page stand true to their radius scale, and what hardware and rulers say comes out in words."""

from __future__ import annotations

import base64
import io
import re
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from report_samples import sample_print
from score_samples import ring, score

from inkstrain import compare
from inkstrain.scoring.report import compare_html
from inkstrain.scoring.report.elementviews import flat_view, wedge_view
from inkstrain.scoring.report.geometry import ring_place
from inkstrain.scoring.report.pictures import redrawn_ring, unrolled_uri
from inkstrain.scoring.report.ringplot import ring_plot
from inkstrain.scoring.report.ringview import ring_view
from inkstrain.scoring.results.score import (
    Contour,
    Course,
    DeltaEPair,
    FlatFieldScore,
    HeadBanding,
    HueSwing,
    MissingLine,
    NeutralWedgeScore,
    RingScore,
)
from inkstrain.targets.chart import build_key
from inkstrain.targets.recipe import parse_recipe

STEP_MM = 9.3
BIN_MM = 0.085
PLACE_MM = 0.06  # a bin is 0.085 mm wide


def stepped() -> RingScore:
    """A fade whose course starts at the hub, with places missing, and a step."""
    radius = 0.8 + BIN_MM * np.arange(180)
    radius = np.delete(radius, slice(40, 55))
    lab = tuple((90.0 if r < STEP_MM else 30.0, 0.0, 0.0) for r in radius)
    course = Course(
        radius_mm=tuple(radius.tolist()), lab=lab, intended_lab=lab, standard_error_de00=(0.05,) * len(radius)
    )
    contour = Contour(
        radius_mm=STEP_MM, inner_mm=STEP_MM, outer_mm=STEP_MM, width_mm=0.0, excess_de00=50.0, contrast_de00=50.0,
        visibility=9.0,
    )
    return ring("red").model_copy(update={"course": course, "contours": (contour,)})


def jumps_mm(drawing: ElementTree.Element) -> list[float]:
    """Return the radius at which each strip of a plot jumps from light to dark, read off the plot's own axis."""
    ticks = {
        float(e.text): float(e.get("x"))
        for e in drawing.iter()
        if e.tag.endswith("text") and e.get("text-anchor") == "middle" and re.fullmatch(r"\d+", e.text or "")
    }
    (a, b) = sorted(ticks)[:2]
    scale = (ticks[b] - ticks[a]) / (b - a)
    found = []
    for strip in (e for e in drawing.iter() if e.tag.endswith("image")):
        pixels = Image.open(io.BytesIO(base64.b64decode(strip.get("href").partition(",")[2])))
        row = np.asarray(pixels.convert("L"), dtype=float).mean(axis=0)
        column = int(np.argmax(-np.diff(row))) + 1
        place = float(strip.get("x")) + float(strip.get("width")) * column / len(row)
        found.append(a + (place - ticks[a]) / scale)
    return found


def test_asked_printed_and_cut_open_stand_at_the_same_radius():
    one = stepped()
    place = ring_place(build_key(parse_recipe(score().recipe)), one, None)
    outer = place.limits.outer_mm
    crop = redrawn_ring(one.course.radius_mm, one.course.lab, place.centre_mm, outer)
    plot = ring_plot("plot", one, place.limits, 60.0, unrolled_uri(crop, place.centre_mm, outer, (520, 64)))
    drawing = ElementTree.fromstring(str(plot))
    asked, printed, cut_open = jumps_mm(drawing)
    assert asked == pytest.approx(STEP_MM, abs=PLACE_MM)
    assert printed == pytest.approx(STEP_MM, abs=PLACE_MM)
    assert cut_open == pytest.approx(STEP_MM, abs=2 * PLACE_MM)  # its crop has pixels of 0.125 mm


def test_a_comparisons_strips_stand_at_their_radius():
    a, b = score(stepped()), score(stepped(), sha256="b" * 64)
    page = compare_html(compare([a], [b]), (a, b), ({}, {}))
    drawings = [ElementTree.fromstring(text) for text in re.findall(r"<svg.*?</svg>", page, re.DOTALL)]
    (plot,) = (d for d in drawings if (d.get("id") or "") == "ring-1-plot")
    assert jumps_mm(plot) == pytest.approx([STEP_MM, STEP_MM], abs=PLACE_MM)


def field(*lines: MissingLine, banding: HeadBanding | None = None) -> FlatFieldScore:
    return FlatFieldScore(
        id="flat-field-middle", kind="flat-field", sheet=1, tile=1, lab=(60.0, 0.0, 0.0), intended_lab=(60.0, 0.0, 0.0),
        grain_l=0.2, unevenness_l=0.1, head_banding=banding, missing_lines=lines, delta_e00=DeltaEPair(intended=None),
    )  # fmt: skip


def words(facts) -> dict[str, str]:
    return {fact.name: fact.value.replace("\u00a0", " ") for fact in facts}


def test_lines_that_a_nozzle_left_out_are_named_by_place_and_counted():
    lines = [
        MissingLine(direction="across" if i % 2 else "along", place_mm=10.0 + 5.25 * i, width_mm=0.07, lift_l=8.0)
        for i in range(7)
    ]
    assert words(flat_view(field(), None).facts)["missing lines"] == "none found"
    assert words(flat_view(field(lines[0]), None).facts)["missing lines"] == "1, at 10.0 along mm"
    many = words(flat_view(field(*lines), None).facts)["missing lines"]
    assert many.startswith("7, at 10.0 along, 15.2 across, ")
    named = many.count("along") + many.count("across")
    assert many.endswith(f"and {7 - named} more")
    assert 1 < named < 7


def test_stripes_of_a_field_and_of_the_wedge_are_said_alike():
    banding = HeadBanding(period_mm=2.04, amplitude_l=0.416, direction="across")
    said = "every 2.0 mm across the sheet, amplitude 0.42 L*"
    assert words(flat_view(field(banding=banding), None).facts)["stripes"] == said
    wedge = next(e for e in sample_print()[0].elements if isinstance(e, NeutralWedgeScore))
    assert "stripes" not in words(wedge_view("wedge", wedge, None).facts)
    striped = wedge.model_copy(update={"head_banding": banding})
    assert words(wedge_view("wedge", striped, None).facts)["stripes"] == said


@pytest.mark.parametrize("disagree", [False, True])
def test_the_second_ruler_of_hue_is_heard_where_it_says_otherwise(disagree):
    swing = HueSwing(
        radius_mm=9.0, width_mm=1.5, degrees=-7.6, delta_h=-3.2, noise_deg=1.5, other_ruler_deg=-2.4,
        rulers_disagree=disagree, visibility=3.25, visibility_noise=0.6,
    )  # fmt: skip
    view = ring_view("ring", ring("blue", hue_swings=(swing,)), None, None, 100.0)
    (row,) = (row for row in view.findings if row.what == "hue swing")
    assert row.amount.replace("\u00a0", " ").startswith("ΔH −3.2, −8 ± 3°")
    assert row.amount.endswith("−2° by a second ruler of hue") is disagree
    assert (row.to_the_eye, row.times) == ("plain", "3.2")

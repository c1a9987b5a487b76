"""What a course shows: hard steps against a formula, a real CMYK table against a second computation."""

from __future__ import annotations

import itertools
import math

import imagecodecs
import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.ndimage import gaussian_filter1d
from scipy.stats import norm

from inkstrain.scoring.eye.visibility import DEFAULT_VIEWING
from inkstrain.scoring.measure.course import RESOLUTION_MM, CourseSample, exact_course, radii
from inkstrain.scoring.measure.fade import Fade, measure_fade, pace_of
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import colour_science, path_length_de00
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import ring_lab, ring_rgb
from inkstrain.targets.spaces import icc_profile

RECIPE = Recipe()
RINGS = {
    element.id: element
    for sheet in build_key(RECIPE).sheets
    for tile in sheet.tiles
    for element in tile.elements
    if isinstance(element, Ring)
}
FINE_MM = 0.01
colour = colour_science()


def fine(ring: Ring) -> np.ndarray:
    return FINE_MM * (np.arange(round(ring.radius_mm / FINE_MM)) + 0.5)


def courses(ring: Ring, printed: np.ndarray) -> tuple[CourseSample, CourseSample]:
    radius, at = fine(ring), radii(ring.ramp_mm, ring.radius_mm - 0.3)
    asked = ring_lab(ring, RECIPE, radius)
    return (
        exact_course(radius, printed, ring.ramp_mm, at, RESOLUTION_MM),
        exact_course(radius, asked, ring.ramp_mm, at, RESOLUTION_MM),
    )


def shown(ring: Ring, printed: np.ndarray) -> Fade:
    return measure_fade(*courses(ring, printed), DEFAULT_VIEWING, 2 * ring.radius_mm)


def stepped(ring: Ring, place_mm: float, step_de00: float) -> np.ndarray:
    """Return the file's colours with a hard step: a part of the path is skipped, the rest evenly spaced."""
    inner, outer = ring.ramp_mm
    radius = fine(ring)
    length = path_length_de00(ring_lab(ring, RECIPE, np.linspace(inner, outer, 20001)))[-1]
    slower = 1.0 - step_de00 / length
    moved = inner + (np.clip(radius, inner, outer) - inner) * slower
    moved += np.where(radius > place_mm, (outer - inner) * (1.0 - slower), 0.0)
    return ring_lab(ring, RECIPE, moved)


@pytest.mark.parametrize("step_de00", [1.25, 2.0, 5.0])
@pytest.mark.parametrize("name", ["ring-to-white-yellow", "ring-to-white-cyan", "ring-to-black-magenta"])
def test_a_hard_steps_excess_and_width_follow_from_the_resolution(name: str, step_de00: float) -> None:
    ring = RINGS[name]
    found = shown(ring, stepped(ring, 10.0, step_de00))
    share = path_length_de00(ring_lab(ring, RECIPE, np.linspace(*ring.ramp_mm, 20001)))[-1] / (
        ring.ramp_mm[1] - ring.ramp_mm[0]
    )
    rest = share - step_de00 / (ring.ramp_mm[1] - ring.ramp_mm[0])
    # speed is the rest's plus a Gaussian; beyond twice the share within z sigmas
    peak = step_de00 * norm.pdf(0) / RESOLUTION_MM / (2 * share - rest)
    z = math.sqrt(2 * math.log(max(peak, 1.0)))
    excess = step_de00 * (2 * norm.cdf(z) - 1) - (2 * share - rest) * 2 * z * RESOLUTION_MM
    (contour,) = found.contours if excess >= 0.25 else (*found.contours, None)
    if contour is not None:
        # a path of small steps is longer than its chord
        assert contour.excess_de00 == pytest.approx(excess, rel=0.04, abs=0.01)
        assert contour.width_mm == pytest.approx(2 * z * RESOLUTION_MM, abs=0.006)
        assert contour.radius_mm == pytest.approx(10.0, abs=0.012)
    assert found.flat_bands == ()
    assert found.reach == pytest.approx(1.0, abs=2e-3)


@pytest.mark.parametrize("name", sorted(RINGS))
def test_the_file_itself_shows_nothing(name: str) -> None:
    ring = RINGS[name]
    found = shown(ring, ring_lab(ring, RECIPE, fine(ring)))
    assert (found.contours, found.flat_bands, found.faint_rings, found.reversals) == ((), (), (), ())
    assert found.reach == pytest.approx(1.0, abs=1e-6)
    assert found.evenness == pytest.approx(1.0, abs=1e-6)
    assert found.evenness_second_metric == pytest.approx(1.0, abs=1e-6)


def test_a_bump_that_jumps_nowhere_is_a_faint_ring() -> None:
    # half a raised cosine of 0.6 L*, 1 mm wide at half height: seen on every fade
    for ring in RINGS.values():
        radius = fine(ring)
        printed = ring_lab(ring, RECIPE, radius)
        printed[:, 0] += 0.6 * np.where(np.abs(radius - 10.0) < 1.0, 0.5 + 0.5 * np.cos(np.pi * (radius - 10.0)), 0.0)
        found = shown(ring, printed)
        assert found.contours == ()
        (faint,) = found.faint_rings
        assert faint.radius_mm == pytest.approx(10.0, abs=0.1)
        assert faint.visibility > 2.0
        # a local cubic of a millimetre follows a part of what is as wide as itself
        assert 0.2 < faint.amplitude_l < 0.6


def test_merged_tones_and_the_ring_beside_them() -> None:
    ring = RINGS["ring-to-black-cyan"]
    radius = fine(ring)
    rests = ring_lab(ring, RECIPE, np.where((radius > 8.0) & (radius < 9.5), 8.0, radius))
    found = shown(ring, rests)
    (band,), (contour,) = found.flat_bands, found.contours
    assert band.inner_mm == pytest.approx(8.0, abs=0.02)
    # the smeared step that ends it passes half of the share a little earlier
    assert 9.5 - 3 * RESOLUTION_MM < band.outer_mm < 9.5 - RESOLUTION_MM
    assert contour.radius_mm == pytest.approx(9.5, abs=0.02)
    assert band.lost_de00 > 2 * band.missing_de00 - 0.2


def test_lightness_that_runs_back_is_a_reversal_of_its_depth() -> None:
    ring = RINGS["ring-to-white-blue"]
    radius = fine(ring)
    back = np.interp(radius, [0, 9.0, 10.0, 18.0, 20], [0, 9.0, 8.5, 18.0, 20])
    found = shown(ring, ring_lab(ring, RECIPE, back))
    (reversal,) = found.reversals
    ends = ring_lab(ring, RECIPE, np.array([9.0, 8.5]))
    depth = abs(ends[1, 0] - ends[0, 0])
    # two turns, each rounded by a Gaussian: a kink of slope k loses k σ / √(2π)
    kinks = (2 * depth + depth) * norm.pdf(0) * RESOLUTION_MM + (depth + 2 * depth) * norm.pdf(0) * RESOLUTION_MM
    assert reversal.depth_l == pytest.approx(depth - kinks, rel=0.1)
    assert 8.9 < reversal.inner_mm < 9.2


def test_a_core_is_where_colour_leaves_the_hub() -> None:
    ring = RINGS["ring-to-white-red"]
    radius = fine(ring)
    inner, outer = ring.ramp_mm
    late = np.interp(radius, [0, inner + 1.5, outer, 20], [inner, inner, outer, outer])
    plain, found = shown(ring, ring_lab(ring, RECIPE, radius)), shown(ring, ring_lab(ring, RECIPE, late))
    assert found.core_mm.value - plain.core_mm.value == pytest.approx(1.5, abs=0.05)


def second_computation(ring: Ring, profile: bytes) -> tuple[float, float, list[float], list[float]]:
    """Return reach, evenness, excesses and missings of a fade through a profile, by colour-science and SciPy alone."""
    pitch, flags = 0.005, imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.NOCACHE
    inner, outer = ring.ramp_mm
    radius = pitch * (np.arange(round(ring.radius_mm / pitch)) + 0.5)
    rgb = np.ascontiguousarray(ring_rgb(ring, RECIPE, radius)[None])
    cmyk = imagecodecs.cms_transform(
        rgb, icc_profile(RECIPE.space), profile, colorspace="rgb", outcolorspace="cmyk", outdtype=np.float64,
        intent=0, flags=flags,
    )  # fmt: skip

    def table(ink: np.ndarray) -> np.ndarray:
        return np.asarray(
            imagecodecs.cms_transform(
                np.ascontiguousarray(ink), profile, imagecodecs.cms_profile("xyz"), colorspace="cmyk",
                outcolorspace="xyz", outdtype=np.float64, intent=1, flags=flags,
            )
        )  # fmt: skip

    white = np.array([0.9642, 1.0, 0.8249])
    printed = table(cmyk)[0] / table(np.zeros((1, 1, 4)))[0, 0] * white
    asked = ring_lab(ring, RECIPE, radius)
    asked_xyz = colour.Lab_to_XYZ(asked, colour.XYZ_to_xy(white))

    def speed(xyz: np.ndarray) -> np.ndarray:
        smooth = gaussian_filter1d(xyz, RESOLUTION_MM / pitch, axis=0, mode="nearest", truncate=8)
        lab = colour.XYZ_to_Lab(smooth, colour.XYZ_to_xy(white))
        step = np.diff(lab, axis=0)
        # the slope of a Gaussian's local line is the Gaussian-smoothed derivative
        tangent = gaussian_filter1d(step, 0.5 / pitch, axis=0, mode="nearest", truncate=8)
        middle = (lab[1:] + lab[:-1]) / 2
        tangent *= 1e-2 / np.linalg.norm(tangent, axis=1, keepdims=True)
        # is a point ahead along the tangent nearer to the step's end than to its start?
        ahead = middle + tangent
        nearer = colour.delta_E(ahead, lab[1:], method="CIE 2000") < colour.delta_E(ahead, lab[:-1], method="CIE 2000")
        return np.where(nearer, 1.0, -1.0) * colour.delta_E(lab[:-1], lab[1:], method="CIE 2000") / pitch

    border = radius[1:] - pitch / 2
    inside = (border > inner - 3 * RESOLUTION_MM) & (border < outer + 3 * RESOLUTION_MM)
    got, wanted = speed(printed)[inside], speed(asked_xyz)[inside]
    reach = got.sum() / wanted.sum()
    evenness = 1 - 0.5 * np.abs(got / got.sum() - wanted / wanted.sum()).sum()

    def segments(score: np.ndarray, least: float) -> list[float]:
        """Return the scores of the best stretch, the best of what is left, and so on: no linear-time algorithm."""
        sums = np.concatenate([[0.0], np.cumsum(score) * pitch])
        found, parts = [], [(0, len(score))]
        while parts:
            start, stop = parts.pop()
            part = sums[start : stop + 1]
            rise = part - np.minimum.accumulate(part)
            last = int(np.argmax(rise))
            first = int(np.argmin(part[: last + 1]))
            if rise[last] >= least:
                found.append((start + first, float(rise[last])))
                parts += [(start, start + first), (start + last, stop)]
        return [value for _, value in sorted(found)]

    share = reach * wanted
    return float(reach), float(evenness), segments(got - 2 * share, 0.25), segments(0.5 * share - got, 0.4)


@pytest.mark.parametrize("name", sorted(RINGS))
def test_a_second_computation_on_a_real_table_agrees(name: str) -> None:
    pyvips = pytest.importorskip("pyvips")
    profile = bytes(pyvips.Operation.call("profile_load", "cmyk"))
    ring = RINGS[name]
    reach, evenness, excess, missing = second_computation(ring, profile)
    from inkstrain.scoring.promise.rendering import Press, Rendering
    from inkstrain.targets.outputprofile import OutputProfile

    press = Press(RECIPE.space, OutputProfile(profile), Rendering("perceptual", False))
    found = shown(ring, press.lab(ring_rgb(ring, RECIPE, fine(ring))))
    assert found.reach == pytest.approx(reach, abs=0.002)
    assert found.evenness == pytest.approx(evenness, abs=0.002)
    assert [c.excess_de00 for c in found.contours] == pytest.approx(excess, abs=0.02)
    assert [b.missing_de00 for b in found.flat_bands] == pytest.approx(missing, abs=0.02)


def test_scores_do_not_jump_when_the_limit_moves() -> None:
    """A score is stationary at its own ends: it moves by what lies between them, no more."""
    ring = RINGS["ring-to-white-blue"]
    course, intended = courses(ring, stepped(ring, 10.0, 4.0))
    pace = pace_of(course, intended)
    widths = []
    for factor in (1.9, 2.0, 2.1):
        score = pace.printed[0] - factor * pace.share[0]
        widths.append(trapezoid(np.maximum(score, 0.0), dx=0.025))
    steps = [b - a for a, b in itertools.pairwise(widths)]
    assert steps[0] == pytest.approx(steps[1], rel=0.15)

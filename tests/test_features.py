"""Reach, evenness, contours and the rest on paths built by hand, whose values can be computed on paper.

Both paths run through greys. A grey's place along the scale is measured in CIEDE2000, integrated here from the
formula's own weight of lightness, so that a path is a straight line, a pause or a jump in that one coordinate.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import cumulative_simpson

from inkstrain.scoring.features import (
    ColourNoise,
    PathPair,
    core_mm,
    evenness,
    fall_off,
    find_contours,
    find_flat_bands,
    find_reversals,
    reach,
)

Array = NDArray[np.float64]

INNER_MM, OUTER_MM = 3.0, 16.0
RAMP_MM = OUTER_MM - INNER_MM
SHARE = 1e-3  # of reach, evenness
MM = 0.02  # twice the rows' distance
DE00 = 0.02
ROWS = 1301  # a row every 0.01 mm

_LIGHTNESS = np.linspace(100.0, 0.0, 20001)
_AWAY = (_LIGHTNESS - 50.0) ** 2
# ISO/CIE 11664-6: a step dL of neutral lightness is dL / S_L
_WEIGHT = 1.0 + 0.015 * _AWAY / np.sqrt(20.0 + _AWAY)
_ALONG = cumulative_simpson(1.0 / _WEIGHT, x=np.linspace(0.0, 100.0, 20001), initial=0.0)
WHOLE_DE00 = float(_ALONG[-1])
SPEED = WHOLE_DE00 / RAMP_MM


def grey_at(along_de00: Array) -> Array:
    """Return CIELAB of the greys that lie so far, in CIEDE2000 summed over small steps, from white."""
    lightness = np.interp(along_de00, _ALONG, _LIGHTNESS)
    return np.stack([lightness, np.zeros_like(lightness), np.zeros_like(lightness)], axis=-1)


def apart(one_de00: float, other_de00: float) -> float:
    """Return CIEDE2000 of two greys on the scale, straight from its formula."""
    a, b = grey_at(np.array([one_de00, other_de00]))[:, 0]
    away = (0.5 * (a + b) - 50.0) ** 2
    return float(abs(a - b) / (1.0 + 0.015 * away / np.sqrt(20.0 + away)))


def pair(*corners: tuple[float, float], share: float = 1.0) -> PathPair:
    """Return a path through corners (mm from the ramp's inner end, mm of the file's own path reached there).

    The file's path runs evenly from white to black. Equal distances make a step.
    """
    places, reached = np.array(corners, dtype=float).T
    even = np.linspace(0.0, RAMP_MM, ROWS)
    distance = [even[even < places[0]]]
    printed = [even[even < places[0]]]
    for i in range(len(places) - 1):
        a, b = places[i], places[i + 1]
        inside = even[(even > a) & (even < b)]
        rows = np.concatenate([[a], inside, [b]])
        distance.append(rows)
        printed.append(np.interp(rows, [a, b], [reached[i], reached[i + 1]]) if b > a else reached[i : i + 2])
    r, p = np.concatenate(distance), np.concatenate(printed)
    keep = np.concatenate([[True], (np.diff(r) > 0) | (np.diff(p) != 0)])
    r, p = r[keep], p[keep]
    return PathPair(INNER_MM + r, grey_at(p * SPEED * share), grey_at(r * SPEED))


FAITHFUL = pair((0, 0), (RAMP_MM, RAMP_MM))


def quiet(path: PathPair) -> ColourNoise:
    """Return the noise of a scan that has none."""
    return ColourNoise(path.radius_mm, np.zeros(len(path.radius_mm)))


def test_the_scale_of_greys_is_measured_right() -> None:
    # the project's own sum over small steps, against the integral here
    assert FAITHFUL.intended_length()[-1] == pytest.approx(WHOLE_DE00, rel=1e-5)
    assert apart(0.0, 1.0) == pytest.approx(1.0, abs=0.01)


def test_a_faithful_print_has_all_and_shows_nothing() -> None:
    assert reach(FAITHFUL) == pytest.approx(1.0, abs=1e-9)
    assert evenness(FAITHFUL) == pytest.approx(1.0, abs=1e-9)
    assert find_contours(FAITHFUL) == find_flat_bands(FAITHFUL) == find_reversals(FAITHFUL) == ()
    course = fall_off(FAITHFUL)
    assert course is not None
    assert (course.p10, course.p50, course.p90) == pytest.approx(
        [INNER_MM + part * RAMP_MM for part in (0.1, 0.5, 0.9)], abs=MM
    )
    # white is left behind after 1 of the CIEDE2000 that every millimetre has SPEED of
    assert core_mm(FAITHFUL, FAITHFUL.printed[0]) == pytest.approx(1.0 / SPEED, abs=MM)


@pytest.mark.parametrize("share", [0.9, 0.6, 0.2])
def test_a_print_of_less_range_is_as_even(share: float) -> None:
    less = pair((0, 0), (RAMP_MM, RAMP_MM), share=share)
    assert reach(less) == pytest.approx(share, abs=SHARE)
    assert evenness(less) == pytest.approx(1.0, abs=SHARE)
    assert find_contours(less) == find_flat_bands(less) == ()


@pytest.mark.parametrize("held_mm", [0.8, 2.0, 4.0])
def test_a_held_stretch_and_its_step_back(held_mm: float) -> None:
    """Nothing moves for a while, then all that was missed comes at once.

    A step counts with the CIEDE2000 of its two ends, a little more than the sum over the colours it skips.
    """
    stop = 5.0 + held_mm
    held = pair((0, 0), (5.0, 5.0), (stop, 5.0), (stop, stop), (RAMP_MM, RAMP_MM))
    jump, rest = apart(5.0 * SPEED, stop * SPEED), (RAMP_MM - held_mm) * SPEED
    assert reach(held) == pytest.approx((rest + jump) / WHOLE_DE00, abs=SHARE)
    # the stretch had its share and got nothing, the step had none and got the jump, the rest is nearly right
    off = held_mm / RAMP_MM + jump / (rest + jump) + abs(rest / (rest + jump) - (RAMP_MM - held_mm) / RAMP_MM)
    assert evenness(held) == pytest.approx(1.0 - 0.5 * off, abs=SHARE)
    (band,) = find_flat_bands(held)
    assert (band.inner_mm, band.outer_mm) == pytest.approx((INNER_MM + 5.0, INNER_MM + stop), abs=MM)
    assert band.width_mm == pytest.approx(held_mm, abs=MM)
    assert band.lost_de00 == pytest.approx(held_mm * SPEED, abs=DE00 * 5)
    (ring,) = find_contours(held)
    assert (ring.radius_mm, ring.width_mm) == pytest.approx((INNER_MM + stop, 0.0), abs=MM)
    assert ring.contrast_de00 == pytest.approx(jump, abs=DE00)


def test_a_staircase_has_a_ring_at_each_step_and_a_flat_band_on_each_tread() -> None:
    """Tones merged eight at a time, as a coarse table does it."""
    tread = RAMP_MM / 8
    corners = [(0.0, 0.0)]
    for step in range(1, 8):
        corners += [(step * tread, (step - 1) * tread), (step * tread, step * tread)]
    stairs = pair(*corners, (RAMP_MM, 7 * tread))
    places = [INNER_MM + step * tread for step in range(1, 8)]
    assert [ring.radius_mm for ring in find_contours(stairs)] == pytest.approx(places, abs=MM)
    assert [band.inner_mm for band in find_flat_bands(stairs)] == pytest.approx([INNER_MM, *places], abs=MM)
    for band in find_flat_bands(stairs):
        assert band.lost_de00 == pytest.approx(tread * SPEED, rel=0.01)


@pytest.mark.parametrize("times", [2.3, 4.0, 8.0])
def test_a_steep_drop_off(times: float) -> None:
    """A millimetre carries several times its share, the others a little less: v is 13 shares over 12 and `times`."""
    start, width = 6.0, 1.0
    slow = RAMP_MM / (RAMP_MM - width + times * width)
    before, after = start * slow, start * slow + times * slow * width
    steep = pair((0, 0), (start, before), (start + width, after), (RAMP_MM, RAMP_MM))
    assert reach(steep) == pytest.approx(1.0, abs=SHARE)
    assert evenness(steep) == pytest.approx(1.0 - (RAMP_MM - width) / RAMP_MM * (1.0 - slow), abs=SHARE)
    found = find_contours(steep)
    if times * slow < 2.0:
        assert found == ()
        return
    (ring,) = found
    assert (ring.inner_mm, ring.outer_mm) == pytest.approx((INNER_MM + start, INNER_MM + start + width), abs=MM)
    assert (ring.radius_mm, ring.width_mm) == pytest.approx((INNER_MM + start + width / 2, width), abs=MM)
    assert ring.contrast_de00 == pytest.approx(apart(before * SPEED, after * SPEED), abs=DE00)
    assert find_flat_bands(steep) == ()


@pytest.mark.parametrize(("ratio", "count"), [(1.9, 0), (2.1, 1)])
def test_a_contour_begins_at_twice_the_share(ratio: float, count: int) -> None:
    width = 0.6
    slow = (RAMP_MM - ratio * width) / (RAMP_MM - width)
    path = pair((0, 0), (7.0, 7.0 * slow), (7.0 + width, 7.0 * slow + ratio * width), (RAMP_MM, RAMP_MM))
    assert len(find_contours(path)) == count


@pytest.mark.parametrize(("ratio", "count"), [(0.28, 0), (0.22, 1)])
def test_a_flat_band_begins_under_a_quarter_of_the_share(ratio: float, count: int) -> None:
    width = 1.5
    fast = (RAMP_MM - ratio * width) / (RAMP_MM - width)
    path = pair((0, 0), (5.0, 5.0 * fast), (5.0 + width, 5.0 * fast + ratio * width), (RAMP_MM, RAMP_MM))
    bands = find_flat_bands(path)
    assert len(bands) == count
    for band in bands:
        # what the file moved there, less what the print did
        assert band.lost_de00 == pytest.approx((1.0 - ratio) * width * SPEED, rel=0.01)


@pytest.mark.parametrize(("creep", "reaches"), [(0.4, True), (0.7, False)])
def test_beside_a_step_a_scan_cannot_tell_flat_from_slow(creep: float, reaches: bool) -> None:
    # 0.15 mm before a step the path begins to creep, no evidence within four blurs of 0.06 mm; an exact path is
    width, near, step = 1.5, 0.15, 1.35
    moved = creep * near
    rest = (RAMP_MM - moved - step) / (RAMP_MM - width)
    path = pair(
        (0, 0), (5.0, 5.0 * rest), (5.0 + width - near, 5.0 * rest), (5.0 + width, 5.0 * rest + moved),
        (5.0 + width, 5.0 * rest + moved + step), (RAMP_MM, RAMP_MM),
    )  # fmt: skip
    (exact,), (scanned,) = find_flat_bands(path), find_flat_bands(path, 0.06)
    assert exact.width_mm == pytest.approx(width - near, abs=MM)
    assert scanned.width_mm == pytest.approx(width if reaches else width - near, abs=MM)
    assert scanned.inner_mm == exact.inner_mm


@pytest.mark.parametrize(("pause_mm", "creep", "count"), [(0.2, 0.4, 1), (0.2, 0.7, 2), (0.3, 0.4, 2)])
def test_a_slow_pause_that_blur_hides_does_not_part_a_flat_band(pause_mm: float, creep: float, count: int) -> None:
    half, moved = 0.8, creep * pause_mm
    rest = (RAMP_MM - moved) / (RAMP_MM - 2 * half - pause_mm)
    at, end = 5.0 * rest, 5.0 + 2 * half + pause_mm
    path = pair(
        (0, 0), (5.0, at), (5.0 + half, at), (5.0 + half + pause_mm, at + moved), (end, at + moved), (RAMP_MM, RAMP_MM)
    )  # fmt: skip
    assert len(find_flat_bands(path)) == 2
    found = find_flat_bands(path, 0.06)
    assert len(found) == count
    assert found[-1].outer_mm - found[0].inner_mm == pytest.approx(2 * half + pause_mm, abs=2 * MM)


@pytest.mark.parametrize("begins_mm", [0.1, 0.4])
def test_a_flat_band_that_begins_at_the_hub_but_for_blur_begins_at_the_hub(begins_mm: float) -> None:
    moved, width = 0.3 * begins_mm, 1.5
    path = pair((0, 0), (begins_mm, moved), (begins_mm + width, moved), (RAMP_MM, RAMP_MM))
    (band,) = find_flat_bands(path, 0.06)
    assert band.inner_mm == pytest.approx(INNER_MM + (0.0 if begins_mm < 0.24 else begins_mm), abs=MM)


@pytest.mark.parametrize(("asked_de00", "count"), [(1.9, 0), (2.1, 1)])
def test_a_flat_band_needs_two_de00_of_the_file(asked_de00: float, count: int) -> None:
    width = asked_de00 / SPEED
    held = pair((0, 0), (5.0, 5.0), (5.0 + width, 5.0), (5.0 + width, 5.0 + width), (RAMP_MM, RAMP_MM))
    assert len(find_flat_bands(held)) == count


@pytest.mark.parametrize(("contrast_de00", "error_de00", "count"), [(0.9, 0.0, 0), (1.1, 0.0, 1), (0.9, 0.06, 1)])
def test_a_contour_needs_one_de00_within_twice_its_error(contrast_de00: float, error_de00: float, count: int) -> None:
    jump = contrast_de00 / SPEED
    slow = (RAMP_MM - jump) / RAMP_MM
    path = pair((0, 0), (6.0, 6.0 * slow), (6.0, 6.0 * slow + jump), (RAMP_MM, RAMP_MM))
    noise = ColourNoise(path.radius_mm, np.full(len(path.radius_mm), error_de00))
    found = find_contours(path, noise)
    assert len(found) == count
    for ring in found:
        assert ring.contrast_de00 == pytest.approx(contrast_de00, abs=DE00)
        assert ring.contrast_standard_error_de00 is ring.radius_standard_error_mm is None  # the path itself is exact
        (scanned,) = find_contours(path, noise, 0.06)
        assert scanned.contrast_standard_error_de00 > error_de00
        assert 0.0 < scanned.radius_standard_error_mm < 0.06


@pytest.mark.parametrize(
    ("beside", "least_mm", "most_mm"),
    [(1.5, 0.5, 0.5), (1.95, 0.5, 0.5 + 1.0), (2.05, 0.5, 0.5 + 1.0)],
)
def test_a_contour_tells_what_its_ends_hang_on(beside: float, least_mm: float, most_mm: float) -> None:
    """By hand: half a mm at four times the share, then a mm at about twice: within 8 % it belongs to it or does not."""
    fast, slow_mm = 0.5 * 4 + 1.0 * beside, RAMP_MM - 1.5
    slow = (RAMP_MM - fast) / slow_mm
    at, then = 5.0 * slow, 5.0 * slow + 2.0
    path = pair((0, 0), (5.0, at), (5.5, then), (6.5, then + beside), (RAMP_MM, RAMP_MM))
    (ring,) = find_contours(path)
    by_mm = {0.5: 2.0 * SPEED, 1.5: (2.0 + beside) * SPEED}
    # ΔE00 over a stretch is not its sum
    assert ring.contrast_range_de00 == pytest.approx((by_mm[least_mm], by_mm[most_mm]), rel=0.06)
    (scanned,) = find_contours(path, quiet(path), 0.06)
    hangs = by_mm[most_mm] - by_mm[least_mm]
    assert scanned.contrast_standard_error_de00 > 0.9 * hangs / np.sqrt(3)
    assert (scanned.contrast_standard_error_de00 < 1.0) == (hangs == 0.0)


@pytest.mark.parametrize(("edge_de00", "own"), [(1.3, False), (4.0, True)])
def test_a_strong_edge_beside_a_stretch_that_is_nearly_steep_is_a_contour_of_its_own(
    edge_de00: float, own: bool
) -> None:
    edge, beside = edge_de00 / SPEED, 1.95 * 2.0
    slow = (RAMP_MM - edge - beside) / (RAMP_MM - 2.0)
    at = 5.0 * slow
    path = pair(
        (0, 0), (5.0, at), (7.0, at + beside), (7.0, at + beside + edge), (RAMP_MM, RAMP_MM)
    )  # fmt: skip
    found = find_contours(path, quiet(path), 0.06)
    assert len(found) == own
    for ring in found:
        assert ring.radius_mm == pytest.approx(INNER_MM + 7.0, abs=MM)
        assert ring.contrast_range_de00 == pytest.approx((ring.contrast_de00,) * 2)
        assert ring.contrast_standard_error_de00 < 0.5


@pytest.mark.parametrize(("slower", "slower_mm", "then", "goes_on"), [
    (1.9, 0.08, 0.9, True), (1.9, 0.2, 0.9, False), (1.7, 0.08, 0.9, False), (1.9, 0.08, 1.75, False),
])  # fmt: skip
def test_a_contour_of_a_scan_ends_where_speed_changes_abruptly(
    slower: float, slower_mm: float, then: float, goes_on: bool
) -> None:
    """By hand: at three times the share, then nearly twice: if that is short and ends abruptly, no scan tells it."""
    end, after = 5.4 + slower_mm, 0.3
    at = 1.2 + slower * slower_mm
    slow = (RAMP_MM - at - then * after) / (RAMP_MM - 0.4 - slower_mm - after)
    path = pair(
        (0, 0), (5.0, 5.0 * slow), (5.4, 5.0 * slow + 1.2), (end, 5.0 * slow + at),
        (end + after, 5.0 * slow + at + then * after), (RAMP_MM, RAMP_MM),
    )  # fmt: skip
    (exact,), (scanned,) = find_contours(path), find_contours(path, quiet(path), 0.06)
    assert exact.outer_mm == pytest.approx(INNER_MM + 5.4, abs=MM)
    assert scanned.outer_mm == pytest.approx(INNER_MM + (end if goes_on else 5.4), abs=MM)
    assert scanned.inner_mm == exact.inner_mm == pytest.approx(INNER_MM + 5.0, abs=MM)


@pytest.mark.parametrize(("pause", "joined"), [(1.2, True), (0.5, False)])
def test_an_edge_too_weak_for_a_contour_belongs_to_the_stretch_beside_it(pause: float, joined: bool) -> None:
    weak = 0.6 / SPEED
    fast = 0.4 * 3.0 + 0.15 * pause + weak
    slow = (RAMP_MM - fast) / (RAMP_MM - 0.55)
    at = 5.0 * slow
    path = pair(
        (0, 0), (5.0, at), (5.4, at + 1.2), (5.55, at + 1.2 + 0.15 * pause), (5.55, at + fast), (RAMP_MM, RAMP_MM)
    )  # fmt: skip
    (exact,), (scanned,) = find_contours(path), find_contours(path, quiet(path), 0.06)
    assert exact.outer_mm == pytest.approx(INNER_MM + 5.4, abs=MM)
    assert scanned.outer_mm == pytest.approx(INNER_MM + (5.55 if joined else 5.4), abs=MM)


@pytest.mark.parametrize("scanned", [False, True])
def test_a_weak_edge_between_two_stretches_does_not_part_them(scanned: bool) -> None:
    weak, fade = 0.3 / SPEED, 0.12
    fast = 2 * 0.2 * 3.0 + 2 * fade * 1.1 + weak
    slow = (RAMP_MM - fast) / (RAMP_MM - 0.4 - 2 * fade)
    at, first, edge = 5.0 * slow, 5.0 * slow + 0.6, 5.0 * slow + 0.6 + fade * 1.1
    path = pair(
        (0, 0), (5.0, at), (5.2, first), (5.2 + fade, edge), (5.2 + fade, edge + weak),
        (5.2 + 2 * fade, edge + weak + fade * 1.1), (5.4 + 2 * fade, at + fast), (RAMP_MM, RAMP_MM),
    )  # fmt: skip
    (ring,) = find_contours(path, quiet(path), 0.06 if scanned else None)
    ends = INNER_MM + 5.0, INNER_MM + 5.4 + 2 * fade
    assert (ring.inner_mm, ring.outer_mm) == pytest.approx(ends, abs=MM)


def test_a_stretch_hardly_steep_enough_may_be_no_contour() -> None:
    fast = (RAMP_MM - 2.1) / (RAMP_MM - 1.0)
    path = pair((0, 0), (5.0, 5.0 * fast), (6.0, 5.0 * fast + 2.1), (RAMP_MM, RAMP_MM))
    (ring,) = find_contours(path)
    assert ring.contrast_range_de00 == pytest.approx((0.0, ring.contrast_de00))


@pytest.mark.parametrize(("contrast_de00", "error_de00", "count"), [(1.5, 0.02, 1), (1.5, 0.5, 0), (4.0, 0.5, 1)])
def test_a_contour_that_noise_may_have_made_is_none(contrast_de00: float, error_de00: float, count: int) -> None:
    jump, width = contrast_de00 / SPEED, 0.07
    slow = (RAMP_MM - jump) / (RAMP_MM - width)
    path = pair((0, 0), (width, jump), (RAMP_MM, jump + (RAMP_MM - width) * slow))
    found = find_contours(path, ColourNoise(path.radius_mm, np.full(len(path.radius_mm), error_de00)), 0.06)
    assert len(found) == count
    assert len(find_contours(path)) == 1  # a path that is exact has no noise


def test_two_rings_are_two() -> None:
    path = pair(
        (0, 0), (4.0, 4.0), (5.0, 4.0), (5.0, 5.0), (8.0, 8.0), (9.0, 8.0), (9.0, 9.0), (RAMP_MM, RAMP_MM)
    )  # fmt: skip
    assert [ring.radius_mm for ring in find_contours(path)] == pytest.approx([8.0, 12.0], abs=MM)
    assert [band.inner_mm for band in find_flat_bands(path)] == pytest.approx([7.0, 11.0], abs=MM)


def test_all_in_the_inner_half_is_half_as_even() -> None:
    path = pair((0, 0), (RAMP_MM / 2, RAMP_MM), (RAMP_MM, RAMP_MM))
    assert evenness(path) == pytest.approx(0.5, abs=SHARE)
    assert reach(path) == pytest.approx(1.0, abs=SHARE)
    course = fall_off(path)
    assert course is not None
    assert course.p90 == pytest.approx(INNER_MM + 0.45 * RAMP_MM, abs=MM)
    (band,) = find_flat_bands(path)
    assert (band.inner_mm, band.outer_mm) == pytest.approx((INNER_MM + RAMP_MM / 2, OUTER_MM), abs=MM)


def test_everything_at_one_radius_is_not_even_at_all() -> None:
    path = pair((0, 0), (6.0, 0), (6.0, RAMP_MM), (RAMP_MM, RAMP_MM))
    assert evenness(path) == pytest.approx(0.0, abs=SHARE)
    (ring,) = find_contours(path)
    assert ring.radius_mm == pytest.approx(INNER_MM + 6.0, abs=MM)
    assert [band.width_mm for band in find_flat_bands(path)] == pytest.approx([6.0, RAMP_MM - 6.0], abs=MM)


@pytest.mark.parametrize("early_mm", [0.5, 1.2, 3.0])
def test_white_reached_too_early_is_a_core(early_mm: float) -> None:
    path = pair((0, 0), (early_mm, 0), (RAMP_MM, RAMP_MM - early_mm))
    expected = early_mm + 1.0 / SPEED
    assert core_mm(path, path.printed[0]) == pytest.approx(expected, abs=2 * MM)


def test_a_ramp_that_never_leaves_the_hub_is_all_core() -> None:
    path = pair((0, 0), (RAMP_MM, 0.0))
    assert core_mm(path, path.printed[0]) == pytest.approx(RAMP_MM)
    assert reach(path) == 0.0
    assert evenness(path) is None
    assert fall_off(path) is None
    assert find_contours(path) == ()


@pytest.mark.parametrize(("depth_l", "count"), [(0.4, 0), (0.8, 1), (3.0, 1)])
def test_a_reversal_has_its_depth(depth_l: float, count: int) -> None:
    radius = np.linspace(INNER_MM, OUTER_MM, ROWS)
    intended = np.linspace(100.0, 0.0, ROWS)
    corners = [INNER_MM, 8.0, 9.0, OUTER_MM]
    printed = np.interp(radius, corners, [100.0, 60.0, 60.0 + depth_l, 5.0])
    zeros = np.zeros(ROWS)
    path = PathPair(radius, np.stack([printed, zeros, zeros], -1), np.stack([intended, zeros, zeros], -1))
    found = find_reversals(path)
    assert len(found) == count
    for reversal in found:
        assert (reversal.inner_mm, reversal.outer_mm) == pytest.approx((8.0, 9.0), abs=MM)
        assert reversal.depth_l == pytest.approx(depth_l, abs=0.02)


def test_going_back_where_the_file_goes_back_too_is_no_reversal() -> None:
    radius = np.linspace(INNER_MM, OUTER_MM, ROWS)
    lightness = np.interp(radius, [INNER_MM, 8.0, 9.0, OUTER_MM], [100.0, 60.0, 64.0, 5.0])
    lab = np.stack([lightness, np.zeros(ROWS), np.zeros(ROWS)], -1)
    assert find_reversals(PathPair(radius, lab, lab)) == ()


@given(st.lists(st.floats(0.0, 5.0), min_size=3, max_size=12), st.floats(0.3, 1.0))
def test_evenness_is_a_share_and_reach_is_the_ratio_of_lengths(speeds: list[float], share: float) -> None:
    total = sum(speeds)
    if total < 0.5:
        return
    places = np.linspace(0.0, RAMP_MM, len(speeds) + 1)
    reached = np.concatenate([[0.0], np.cumsum(speeds)]) / total * RAMP_MM
    path = pair(*zip(places.tolist(), reached.tolist(), strict=True), share=share)
    even = evenness(path)
    assert even is not None
    # piecewise straight: 1 - half of |v_i / sum v - 1 / n| summed over the n pieces
    parts = np.array(speeds) / total
    assert even == pytest.approx(1.0 - 0.5 * np.abs(parts - 1.0 / len(parts)).sum(), abs=2 * SHARE)
    assert reach(path) == pytest.approx(share, abs=2 * SHARE)
    inside = [(ring.inner_mm, ring.outer_mm) for ring in find_contours(path)]
    inside += [(band.inner_mm, band.outer_mm) for band in find_flat_bands(path)]
    for inner, outer in inside:
        assert INNER_MM <= inner <= outer <= OUTER_MM


def test_inputs_come_out_unchanged() -> None:
    path = pair((0, 0), (5.0, 5.0), (7.0, 5.0), (7.0, 7.0), (RAMP_MM, RAMP_MM))
    before = [array.copy() for array in (path.radius_mm, path.printed, path.intended)]
    for measure in (reach, evenness, find_contours, find_flat_bands, find_reversals, fall_off):
        measure(path)
    core_mm(path, path.printed[0])
    for array, kept in zip((path.radius_mm, path.printed, path.intended), before, strict=True):
        np.testing.assert_array_equal(array, kept)


def test_a_wiggle_that_gets_nowhere_does_not_part_a_flat_band() -> None:
    """Colour that goes out and comes back within a tenth of a millimetre moves, but the fade does not get on."""
    held = 0.4
    out = (5.05, 4.0 + held)
    wiggled = pair((0, 0), (4, 4), (5, 4), out, (5.1, 4), (6, 4), (6, 6), (RAMP_MM, RAMP_MM))
    still = pair((0, 0), (4, 4), (6, 4), (6, 6), (RAMP_MM, RAMP_MM))
    (band,), (expected,) = find_flat_bands(wiggled, 0.06), find_flat_bands(still, 0.06)
    assert (band.inner_mm, band.outer_mm) == pytest.approx((expected.inner_mm, expected.outer_mm), abs=MM)
    assert len(find_flat_bands(wiggled)) == 2

"""Rings, measured: the course of a disc, and what it shows."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.key import Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import ring_lab

from ..colour.basis import Basis
from ..eye.visibility import VEIL, castle, opponent
from ..maths.waves import noise_reach_mm
from ..results.score import Course, DeltaE, DeltaEPair, FaintRing, Flag, HeadBanding, RingScore, Ripple, Viewing
from .banding import disc_stripes, stripe_blur_mm, unstriped
from .course import SECTORS, CourseSample, Sharpness, cells_course, exact_course, radii, standard_error_de00
from .fade import measure_fade
from .hue import find_hue_swings
from .ripples import find_ripples
from .sampling import Means, Window, disc_means

__all__ = [
    "FIRST_RADIUS_MM",
    "delta_e_summary",
    "exact_ring",
    "intended_course",
    "measure_ring",
    "radial_means",
    "ring_score",
    "unmeasured_ring",
]

Array = NDArray[np.float64]

FIRST_RADIUS_MM: Final = 0.8  # within it a sector has too few pixels
BIN_MM: Final = 0.05  # half of the resolution, at every scan resolution
_RIM_MARGIN_MM: Final = 0.3  # from the paper's edge, or four blurs
_FILE_PITCH_MM: Final = 0.01  # at which the file's colours are taken
_KEPT_EVERY: Final = 2  # of the course's radii: 0.05 mm
_LEAST_WHOLE: Final = 0.9  # of the ramp's bins, for a disc to be measured
_LEAST_SECTORS: Final = 3


def radial_means(window: Window, ring: Ring, basis: Basis, paper_xyz: Array, blur_mm: float) -> Means:
    """Return mean colours by radius and sector, every pixel of the disc used once."""
    stop = ring.radius_mm - max(_RIM_MARGIN_MM, 4 * blur_mm)
    return disc_means(window, ring.centre_mm, FIRST_RADIUS_MM, stop, BIN_MM, SECTORS, basis, paper_xyz)


def measure_ring(
    ring: Ring,
    recipe: Recipe,
    means: Means,
    basis: Basis,
    paper_xyz: Array,
    sharpness: Sharpness,
    viewing: Viewing,
    place: tuple[int, int],
) -> RingScore:
    """Return the score of one ring from its radial means.

    Parameters
    ----------
    place
        Sheet and tile.
    """
    stripes = disc_stripes(means.cells, means.place, ring.ramp_mm[0])
    means = unstriped(means, stripes, ring.ramp_mm[0], basis, paper_xyz)
    inner, outer = ring.ramp_mm
    good = np.isfinite(means.lab).all(axis=1) & np.isfinite(means.place) & (means.groups >= _LEAST_SECTORS)
    on_ramp = good & (means.place > inner) & (means.place < outer)
    beyond = means.place[good].max(initial=0.0)
    if on_ramp.sum() < _LEAST_WHOLE * (outer - inner) / BIN_MM or beyond < outer:
        return unmeasured_ring(ring, "not-measured: the disc is not whole in the scan, or too coarsely scanned", place)
    course = cells_course(
        means.place[good],
        means.cell_linear[good],
        means.cell_count[good],
        lambda linear: basis.lab(linear, paper_xyz),
        ring.ramp_mm,
        radii(ring.ramp_mm, float(beyond)),
        sharpness,
        BIN_MM,
    )
    sigma = float(np.hypot(sharpness.blur_mm, BIN_MM / np.sqrt(12.0)))
    ripples = find_ripples(
        means.place[good],
        means.lab[good, 0],
        means.standard_error[good, 0],
        ring_lab(ring, recipe, means.place[good])[:, 0],
        ring.ramp_mm,
        sigma,
        noise_reach_mm(means.cells, BIN_MM),
    )
    return ring_score(
        ring,
        course,
        intended_course(ring, recipe, course),
        viewing,
        place,
        ripples=ripples,
        head_banding=stripes[0].banding(stripe_blur_mm(sigma, recipe.dpi)) if stripes else None,
    )


def intended_course(ring: Ring, recipe: Recipe, like: CourseSample) -> CourseSample:
    """Return the course that the file asks for, at the radii and the resolution of another."""
    return _intended(ring, recipe, float(like.radius_mm[-1]), round(like.resolution_mm, 5))


@functools.lru_cache(maxsize=64)
def _intended(ring: Ring, recipe: Recipe, last_mm: float, resolution_mm: float) -> CourseSample:
    fine: Array = _FILE_PITCH_MM * (np.arange(round(ring.radius_mm / _FILE_PITCH_MM), dtype=np.float64) + 0.5)
    at = radii(ring.ramp_mm, last_mm)
    return exact_course(fine, ring_lab(ring, recipe, fine), ring.ramp_mm, at, resolution_mm)


def exact_ring(
    ring: Ring,
    recipe: Recipe,
    radius_mm: Array,
    lab: Array,
    viewing: Viewing,
    place: tuple[int, int],
    resolution_mm: float,
) -> RingScore:
    """Return the score of a ring whose printed colours are known without error: of a forecast, or a rehearsal's truth.

    Parameters
    ----------
    radius_mm, lab
        Even radii from the middle to the rim with a pitch of 0.02 mm or less, (m,), and the cells' colours, (m, 3).
    """
    at = radii(ring.ramp_mm, ring.radius_mm - _RIM_MARGIN_MM)
    course = exact_course(radius_mm, lab, ring.ramp_mm, at, resolution_mm)
    return ring_score(ring, course, intended_course(ring, recipe, course), viewing, place)


def ring_score(
    ring: Ring,
    course: CourseSample,
    intended: CourseSample,
    viewing: Viewing,
    place: tuple[int, int],
    *,
    ripples: Sequence[Ripple] = (),
    head_banding: HeadBanding | None = None,
) -> RingScore:
    """Return everything that a course shows beside the intended one, at the same radii and resolution."""
    disc = 2.0 * ring.radius_mm
    found = measure_fade(course, intended, viewing, disc)
    on_ramp = (course.radius_mm > ring.ramp_mm[0]) & (course.radius_mm < ring.ramp_mm[1])
    radius, printed, asked = course.radius_mm[on_ramp], course.lab[0, on_ramp], intended.lab[0, on_ramp]
    swings = find_hue_swings(
        radius, printed, asked, course.lab[:, on_ramp] if len(course.lab) > 1 else None, viewing, disc
    )
    kept = slice(None, None, _KEPT_EVERY)
    return RingScore(
        id=ring.id,
        kind=ring.kind,
        hue=ring.hue,
        sheet=place[0],
        tile=place[1],
        resolution_mm=course.resolution_mm,
        reach=found.reach,
        reach_noise=found.reach_noise,
        evenness=found.evenness,
        evenness_noise=found.evenness_noise,
        evenness_second_metric=found.evenness_second_metric,
        course=Course(
            radius_mm=tuple(course.radius_mm[kept].tolist()),
            lab=tuple(map(tuple, course.lab[0, kept].tolist())),
            intended_lab=tuple(map(tuple, intended.lab[0, kept].tolist())),
            standard_error_de00=tuple(standard_error_de00(course.lab[:, kept]).tolist()),
        ),
        excess=found.excess,
        missing=found.missing,
        contours=found.contours,
        flat_bands=found.flat_bands,
        faint_rings=_apart(found.faint_rings, ripples),
        hue_swings=swings,
        reversals=found.reversals,
        ripples=tuple(_seen_wave(one, radius, printed, viewing, disc) for one in ripples),
        core_mm=found.core_mm,
        fall_off_mm=found.fall_off_mm,
        delta_e00=DeltaEPair(intended=delta_e_summary(np.asarray(delta_e00(printed, asked)))),
        head_banding=head_banding,
        flags=tuple(
            Flag(
                code="hue-rulers-disagree",
                where=ring.id,
                text=f"the hue swing at {one.radius_mm:.1f} mm is {one.degrees:.1f}° by IPT and "
                f"{one.other_ruler_deg:.1f}° by Jzazbz",
            )
            for one in swings
            if one.rulers_disagree
        ),
    )


def _apart(faint: Sequence[FaintRing], ripples: Sequence[Ripple]) -> tuple[FaintRing, ...]:
    """Return the faint rings that are no part of a ripple, which is a run of them."""
    return tuple(one for one in faint if not any(wave.inner_mm <= one.radius_mm <= wave.outer_mm for wave in ripples))


def _seen_wave(wave: Ripple, radius_mm: Array, lab: Array, viewing: Viewing, disc_mm: float) -> Ripple:
    """Return a ripple with its visibility: its modulation times the eye's sensitivity to its frequency."""
    middle = (wave.inner_mm + wave.outer_mm) / 2
    colour = np.array([np.interp(middle, radius_mm, axis) for axis in lab.T])
    more, less = (opponent(colour + np.array([sign * wave.amplitude_l, 0.0, 0.0])) for sign in (1.0, -1.0))
    light = max(float(opponent(colour)[0]), 0.0) + VEIL
    frequency = np.radians(viewing.distance_mm) / wave.period_mm  # cycles a degree
    field = (np.pi / 4) * np.degrees(disc_mm / viewing.distance_mm) ** 2
    sensitivity = castle(frequency, light * viewing.luminance_cd_m2, float(field), "achromatic")
    seen = float(abs(more[0] - less[0]) / 2 / light * sensitivity)
    error = None if wave.noise_l is None else seen * wave.noise_l / wave.amplitude_l
    unsure = error is not None and error > seen
    return wave.model_copy(update={"visibility": None if unsure else round(seen, 2), "visibility_noise": error})


def unmeasured_ring(ring: Ring | RingScore, flag: str, place: tuple[int, int] = (0, 0)) -> RingScore:
    """Return the score of a ring that nothing can be said of but the flag."""
    sheet, tile = (ring.sheet, ring.tile) if isinstance(ring, RingScore) else place
    return RingScore(
        id=ring.id,
        kind=ring.kind,
        hue=ring.hue,
        sheet=sheet,
        tile=tile,
        reach=None,
        evenness=None,
        course=Course(radius_mm=(), lab=(), intended_lab=(), standard_error_de00=()),
        core_mm=None,
        fall_off_mm=None,
        delta_e00=DeltaEPair(intended=None),
        flags=(Flag.of(flag, ring.id),),
    )


def delta_e_summary(values: Array) -> DeltaE:
    """Return mean, 95th percentile and largest of ΔE00 values."""
    return DeltaE(mean=float(np.mean(values)), p95=float(np.percentile(values, 95)), max=float(np.max(values)))

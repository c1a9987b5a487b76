"""Patch fields and flat fields, measured: mean colours, evenness, stripes."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00
from inkstrain.targets.key import Box, FlatField, PatchField

from ..colour.basis import Basis
from ..maths.waves import noise_reach_mm
from ..results.score import DeltaEPair, FlatFieldScore, HeadBanding, MissingLine, PatchFieldScore, PatchReading
from .banding import line_stripes, missing_lines
from .course import error_de00
from .rings import delta_e_summary
from .sampling import Means, Tally, Window

__all__ = ["flat_lines", "flat_means", "measure_flat", "measure_patches", "patch_means"]

Array = NDArray[np.float64]

_BLOCKS: Final = 6
_PATCH_INSET_MM: Final = 1.0
_FLAT_INSET_MM: Final = 1.0
_FLAT_FIELDS: Final = 4
_DIRECTIONS: Final[tuple[Literal["across", "along"], ...]] = ("across", "along")
_LINE_MM: Final = (0.04, 0.1)
_LINE_PARTS: Final = 12
_FLAT_BLOCK_MM: Final = 1.27  # large-area tile of ISO/IEC 24790 (from memory)


def patch_means(window: Window, field: PatchField, basis: Basis, paper_xyz: Array) -> Means:
    """Return the mean colours of the patches in order; groups are 36 blocks of each."""
    x, y, width, height = field.patches[0].box_mm
    columns = max(round((patch.box_mm[0] - x) / width) for patch in field.patches) + 1
    tally = Tally(basis, (len(field.patches), _BLOCKS * _BLOCKS))
    rows = -(-len(field.patches) // columns)
    for part in window.inside((x, y, columns * width, rows * height)):
        column = np.minimum(np.floor((part.x_mm - x) / width), columns - 1)
        row = np.floor((part.y_mm - y) / height)
        index = (row * columns + column).astype(np.int32)
        across = (part.x_mm - x - column * width - _PATCH_INSET_MM) / (width - 2 * _PATCH_INSET_MM)
        down = (part.y_mm - y - row * height - _PATCH_INSET_MM) / (height - 2 * _PATCH_INSET_MM)
        inside = (across >= 0) & (across < 1) & (down >= 0) & (down < 1) & (index < len(field.patches))
        wanted = np.flatnonzero(inside)
        blocks = [(one.take(wanted) * _BLOCKS).astype(np.int32) for one in (across, down)]
        tally.add(part.pixels.take(wanted, axis=0), index.take(wanted), blocks[0] * _BLOCKS + blocks[1])
    return tally.means(paper_xyz)


def measure_patches(
    window: Window, field: PatchField, basis: Basis, paper_xyz: Array, place: tuple[int, int]
) -> PatchFieldScore | None:
    """Return the score of a patch field, or ``None`` if a patch could not be read."""
    means = patch_means(window, field, basis, paper_xyz)
    if not np.isfinite(means.lab).all():
        return None
    intended = np.array([patch.lab for patch in field.patches])
    errors = error_de00(means.lab, means.standard_error)
    return PatchFieldScore(
        id=field.id,
        kind=field.kind,
        sheet=place[0],
        tile=place[1],
        patches=tuple(
            PatchReading(
                patch=patch.patch,
                lab=tuple(means.lab[i].round(4).tolist()),
                intended_lab=patch.lab,
                scan_linear=tuple(means.linear[i].round(6).tolist()),
                standard_error_de00=float(errors[i]),
            )
            for i, patch in enumerate(field.patches)
        ),
        delta_e00=DeltaEPair(intended=delta_e_summary(np.asarray(delta_e00(means.lab, intended)))),
    )


def flat_means(window: Window, flat: FlatField, basis: Basis, paper_xyz: Array) -> tuple[Means, tuple[int, int]]:
    """Return the mean colours of square blocks of about 1.27 mm, row by row, and the numbers of rows and columns."""
    left, top, width, height = _inset(flat)
    columns, rows = (max(int(side / _FLAT_BLOCK_MM), 1) for side in (width, height))
    tally = Tally(basis, (rows * columns, _FLAT_FIELDS**2))
    for part in window.inside((left, top, width, height)):
        # fields along and across, then the blocks they are in
        u = ((part.x_mm - left) * (columns * _FLAT_FIELDS / width)).astype(np.int32)
        v = ((part.y_mm - top) * (rows * _FLAT_FIELDS / height)).astype(np.int32)
        np.minimum(u, columns * _FLAT_FIELDS - 1, out=u)
        np.minimum(v, rows * _FLAT_FIELDS - 1, out=v)
        block = v // _FLAT_FIELDS * columns + u // _FLAT_FIELDS
        tally.add(part.pixels, block, v % _FLAT_FIELDS * _FLAT_FIELDS + u % _FLAT_FIELDS)
    return tally.means(paper_xyz), (rows, columns)


def _inset(flat: FlatField) -> Box:
    x, y, width, height = flat.box_mm
    return x + _FLAT_INSET_MM, y + _FLAT_INSET_MM, width - 2 * _FLAT_INSET_MM, height - 2 * _FLAT_INSET_MM


def flat_lines(window: Window, flat: FlatField, basis: Basis, paper_xyz: Array) -> tuple[tuple[Means, float], ...]:
    """Return the mean colours of lines along x, by their y, and of lines along y, by their x, with their pitch in mm.

    Lines are one pixel wide, but not under 0.04 or over 0.1 mm; groups are 12 parts of a line.
    """
    left, top, width, height = _inset(flat)
    pitch = float(np.clip(window.pixel_mm, *_LINE_MM))
    columns, rows = int(width / pitch), int(height / pitch)
    along_x, along_y = Tally(basis, (rows, _LINE_PARTS)), Tally(basis, (columns, _LINE_PARTS))
    for part in window.inside((left, top, columns * pitch, rows * pitch)):
        linear, across, down = basis.linear(part.pixels), part.x_mm - np.float32(left), part.y_mm - np.float32(top)
        for tally, count, place, parted in (
            (along_x, rows, down, across * np.float32(_LINE_PARTS / width)),
            (along_y, columns, across, down * np.float32(_LINE_PARTS / height)),
        ):
            lines = np.minimum((place * np.float32(1.0 / pitch)).astype(np.int32), count - 1)
            tally.add(linear, lines, np.minimum(parted.astype(np.int32), _LINE_PARTS - 1), place)
    return tuple((tally.means(paper_xyz), pitch) for tally in (along_x, along_y))


def _stripes(
    window: Window, flat: FlatField, basis: Basis, paper_xyz: Array, blur_mm: float
) -> tuple[HeadBanding | None, tuple[MissingLine, ...]]:
    """Return the strongest stripes of a flat field, and the lines that are missing from it."""
    bandings: list[HeadBanding] = []
    missing: list[MissingLine] = []
    for (means, pitch), direction, start in zip(
        flat_lines(window, flat, basis, paper_xyz), _DIRECTIONS, (flat.box_mm[1], flat.box_mm[0]), strict=True
    ):
        if not np.isfinite(means.lab).all():
            continue
        lab, error = means.lab.copy(), means.standard_error[:, 0]
        gaps = missing_lines(means.place + start + _FLAT_INSET_MM, lab[:, 0], error, direction)
        missing += gaps
        for gap in gaps:
            beside = np.abs(means.place + start + _FLAT_INSET_MM - gap.place_mm) > gap.width_mm + 2 * blur_mm
            lab = np.stack([np.interp(means.place, means.place[beside], column[beside]) for column in lab.T], axis=1)
        stripes = line_stripes(lab, error, pitch, direction, noise_reach_mm(means.cells, pitch))
        if stripes is not None:
            bandings.append(stripes.banding(float(np.hypot(blur_mm, pitch / np.sqrt(12.0)))))
    return max(bandings, key=lambda one: one.amplitude_l, default=None), tuple(missing)


def measure_flat(
    window: Window,
    flat: FlatField,
    basis: Basis,
    paper_xyz: Array,
    place: tuple[int, int],
    blur_mm: float | None = None,
) -> FlatFieldScore | None:
    """Return the score of a flat field, or ``None`` if it could not be read.

    `grain_l` is the standard deviation of L* over fields of 0.32 mm within blocks of 1.27 mm, `unevenness_l` that of
    the blocks' means: graininess and mottle in the spirit of ISO/IEC 24790. Departures from it: L* and not reflectance,
    fields of 0.32 mm and not its band-pass of finer ones (a flatbed's own noise is as large there), any resolution of
    the scan; stripes and missing lines count in both, and are told beside them.
    """
    means, _shape = flat_means(window, flat, basis, paper_xyz)
    if not np.isfinite(means.lab).all():
        return None
    lab = basis.lab(np.median(means.linear, axis=0), paper_xyz)
    within = means.standard_error[:, 0] * np.sqrt(means.groups)
    away = delta_e_summary(np.asarray(delta_e00(means.lab, np.array(flat.lab))))
    banding, missing = _stripes(window, flat, basis, paper_xyz, 0.05 if blur_mm is None else blur_mm)
    return FlatFieldScore(
        id=flat.id,
        kind=flat.kind,
        sheet=place[0],
        tile=place[1],
        lab=tuple(lab.tolist()),
        intended_lab=flat.lab,
        grain_l=float(np.sqrt(np.mean(within**2))),
        unevenness_l=float(np.std(means.lab[:, 0])),
        head_banding=banding,
        missing_lines=missing,
        delta_e00=DeltaEPair(intended=away),
    )

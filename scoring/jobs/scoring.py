"""From scans to a score: read, place, measure every tile, and put together what belongs to one print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe

from ..colour.bedlight import BedLight, evened
from ..colour.choice import BasisChoice
from ..compare.comparable import MEASURES, read_all
from ..eye.visibility import DEFAULT_VIEWING
from ..judge.consistency import checked
from ..judge.health import health_flags
from ..measure.course import RESOLUTION_MM
from ..measure.tile import Progress, Tile, measure_tile, scan_name
from ..measure.totals import totals_of
from ..measure.wedge import black_of
from ..place.placement import Placement, locate
from ..promise.rendering import Rendering
from ..read.scanfile import ScanFile, open_scan
from ..results.crops import Crop
from ..results.score import Conditions, Flag, MadeBy, RingScore, Score, Viewing, White, plain_lab
from ..words.plaintext import score_text
from .finish import Promise, finish, with_trust

__all__ = ["Measured", "ScoreOptions", "score_scans"]

Array = NDArray[np.float64]

_DEFAULT_RENDERING: Final = Rendering("relative", True)
_PAPER_APART_DE00: Final = 0.8
"""A flatbed repeats itself within 0.3 % when its lid was opened (Med. Phys. 42, 2015): 0.1 L*; this is far beyond."""
_SOFT: Final = 1.02  # of the stated resolution, which moves a hard step's excess by 2 %
_DEFAULT_BASIS: Final = BasisChoice()


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoreOptions:
    """What may be chosen about measuring.

    Parameters
    ----------
    crops
        Cut out pictures of the elements for a report.
    viewing
        What visibility figures are stated for.
    profile, rendering
        The printer profile and the way the print was asked for: attainable colours and causes follow from them.
    other_profiles
        Profiles that the print may have been made with instead.
    basis
        Where the colour basis of each scan comes from.
    blank
        The light across the bed, to be divided out.
    """

    crops: bool = True
    viewing: Viewing = DEFAULT_VIEWING
    profile: OutputProfile | None = None
    rendering: Rendering = _DEFAULT_RENDERING
    other_profiles: tuple[OutputProfile, ...] = ()
    basis: BasisChoice = _DEFAULT_BASIS
    blank: BedLight | None = None

    @property
    def promise(self) -> Promise | None:
        """The printer profile's promise, if there is one."""
        if self.profile is None:
            return None
        return Promise(profile=self.profile, rendering=self.rendering, others=self.other_profiles)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A score, and the pictures of its elements by element id (sRGB, as scanned, put straight)."""

    score: Score
    crops: Mapping[str, Crop] = field(default_factory=dict)

    def to_rows(self) -> list[dict[str, object]]:
        """Return one row an element and measure, as plain dictionaries: a data frame takes them as they are.

        ``standard_error`` is that of one scan, the scanner's repeatability in it; values are ``None`` where an element
        has none. The element ``print`` is the whole print.
        """
        return [
            {
                "element": element,
                "measure": measure,
                "unit": MEASURES[measure].unit,
                "value": reading and reading.value,
                "standard_error": reading and reading.standard_error,
            }
            for (element, measure), reading in read_all(self.score).items()
        ]

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the summary that a terminal shows."""
        return f"<pre>{escape(score_text(self.score))}</pre>"


def score_scans(
    paths: Sequence[Path],
    *,
    conditions: Conditions | None = None,
    options: ScoreOptions | None = None,
    progress: Progress | None = None,
) -> Measured:
    """Measure the scans of one print.

    Parameters
    ----------
    paths
        Scans of its tiles, in any order and orientation.
    progress
        Called with what is being measured and the share done, 0 to 1.

    Raises
    ------
    CannotMeasureError
        If a scan cannot be read, holds no tile, or the scans are not of one print.
    """
    if not paths:
        raise CannotMeasureError("No scan was given. Name the scanned image files of one print.")
    options = options or ScoreOptions()
    # scans that do not belong together are refused before the first is measured
    placed = _place_all(paths) if len(paths) > 1 else {}
    parts: list[Tile] = []
    for index, path in enumerate(paths):

        def report(what: str, share: float, index: int = index) -> None:
            if progress is not None:
                progress(what, (index + share) / len(paths))

        # the matrices here are small: a BLAS that shares them out to threads takes longer, and far longer on a busy
        # machine; elements are shared out instead
        with threadpool_limits(limits=1, user_api="blas"), open_scan(path) as scan:
            parts += _measure_scan(scan, placed.get(index), options, report)
    return _assemble(parts, conditions or Conditions(), options)


def _place_all(paths: Sequence[Path]) -> dict[int, tuple[Placement, ...]]:
    placed = {}
    for index, path in enumerate(paths):
        with threadpool_limits(limits=1, user_api="blas"), open_scan(path) as scan:
            placed[index] = locate(scan)
    names = {index: scan_name(path) for index, path in enumerate(paths)}
    _check_one_print([(names[i], p.recipe, p.sheet, p.tile) for i, found in placed.items() for p in found])
    return placed


def _measure_scan(
    scan: ScanFile,
    placements: tuple[Placement, ...] | None,
    options: ScoreOptions,
    progress: Progress,
) -> list[Tile]:
    progress(f"{scan.path.name}: finding marks", 0.0)
    basis = options.basis.of(scan.icc, str(scan.path))
    parts = []
    placements = placements or locate(scan)
    scan = evened(scan, basis, options.blank)
    for number, placement in enumerate(placements):

        def report(what: str, share: float, number: int = number) -> None:
            progress(f"{scan.path.name}: {what}", 0.2 + 0.8 * (number + share) / len(placements))

        parts.append(
            measure_tile(
                scan, placement, basis, viewing=options.viewing, blank=options.blank, crops=options.crops,
                progress=report,
            )
        )
    return parts


def _check_one_print(found: Sequence[tuple[str, Recipe, int, int]]) -> None:
    """Refuse tiles (scan, recipe, sheet, tile) that are not of one print, each once."""
    seen: dict[tuple[int, int], str] = {}
    first, recipe = found[0][:2]
    for scan, other, sheet, tile in found:
        if other != recipe:
            raise CannotMeasureError(
                f"The scans are of different charts: {first} of {recipe.chart_id}, "
                f"{scan} of {other.chart_id}. Score each print by itself."
            )
        if (sheet, tile) in seen:
            raise CannotMeasureError(
                f"Sheet {sheet}, tile {tile} is in both {seen[sheet, tile]} and {scan}. "
                "Score repeated scans one by one, with the same --print NAME, and compare the scores."
            )
        seen[sheet, tile] = scan


def _assemble(parts: list[Tile], conditions: Conditions, options: ScoreOptions) -> Measured:
    """Merge the tiles of one print into one score."""
    recipe = parts[0].recipe
    _check_one_print([(part.reading.scan, part.recipe, part.reading.sheet, part.reading.tile) for part in parts])
    parts = sorted(parts, key=lambda part: (part.reading.sheet, part.reading.tile))
    unlike = {name: found for part in parts for name, found in part.unlike.items()}
    trusted = checked(
        [element for part in parts for element in part.elements], unlike, [part.signs for part in parts]
    )
    elements = trusted.elements
    if not any(not isinstance(e, RingScore) or e.reach is not None for e in elements):
        raise CannotMeasureError(f"{parts[0].reading.scan}: nothing can be measured. {_first_reason(trusted.flags)}")
    black = black_of(elements)
    paper = np.mean([part.paper_xyz for part in parts], axis=0)
    score = Score(
        made_by=MadeBy(version=version("inkstrain")),
        chart=recipe.chart_id,
        recipe=recipe.text,
        conditions=conditions,
        colour_basis=parts[0].basis.described,
        viewing=options.viewing,
        resolution_mm=RESOLUTION_MM,
        white=White(
            lab=plain_lab(xyz_to_lab(paper)), standard_error_l=float(np.mean([p.paper_error_l for p in parts]))
        ),
        black=black,
        tiles=tuple(part.reading for part in parts),
        elements=elements,
        totals=totals_of(elements, black),
        flags=(*map(Flag.of, (*_flags(parts, recipe), *health_flags(elements))), *trusted.flags),
    )
    score = finish(score, recipe, options.promise)
    score = with_trust(score, paper, options.basis.fit)
    return Measured(score=score, crops={name: crop for part in parts for name, crop in part.crops.items()})


def _first_reason(flags: Sequence[Flag]) -> str:
    text = next((flag.text for flag in flags if flag.where), "None of its figures is whole in the scan.")
    reason = text.partition("left out: ")[2] or text
    return f"{reason[0].upper()}{reason[1:].rstrip('.')}."


def _most_apart(papers: Sequence[Array]) -> float:
    """Return the largest ΔE00 between the paper whites of a print's tiles."""
    lab = xyz_to_lab(np.array(papers))
    return max((float(np.max(delta_e00(one, lab))) for one in lab), default=0.0)


def _flags(parts: list[Tile], recipe: Recipe) -> tuple[str, ...]:
    flags = []
    expected = {(sheet.sheet, tile.tile) for sheet in build_key(recipe).sheets for tile in sheet.tiles}
    missing = sorted(expected - {(part.reading.sheet, part.reading.tile) for part in parts})
    if missing:
        places = ", ".join(f"sheet {sheet} tile {tile}" for sheet, tile in missing)
        flags.append(f"tiles-missing: no scan of {places}")
    if len({part.basis.profile for part in parts}) > 1:
        flags.append("mixed-basis: the scans carry unlike colour profiles, or some of them none")
    rings = [e for part in parts for e in part.elements if isinstance(e, RingScore)]
    softest = max((ring.resolution_mm or 0.0 for ring in rings), default=0.0)
    if softest > _SOFT * RESOLUTION_MM:
        flags.append(
            f"less-sharp: the scan shows {softest:.2f} mm (sigma) where {RESOLUTION_MM:.2f} mm is stated; fades are "
            "measured at that, and narrow rings are weaker in it"
        )
    apart = _most_apart([part.paper_xyz for part in parts])
    if apart > _PAPER_APART_DE00:
        flags.append(
            f"scans-disagree: the same paper differs by {apart:.1f} ΔE00 from scan to scan; turn off automatic "
            "exposure and colour correction, and let the lamp warm up"
        )
    white = np.mean([part.paper_xyz for part in parts], axis=0)
    if np.any(white > 1.02 * WHITE_D50):
        flags.append("paper-brighter-than-white: the scan's exposure is too high")
    return tuple(flags)

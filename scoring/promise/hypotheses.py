"""Was it printed as you think? What was measured against what each way of printing would have given.

Every hypothesis predicts the colours of the chart through the profile; its misfit is the mean ΔE00 to the measured
ones, element by element with the worst tenth left out (damage is no evidence of a wrong intent), and then over the
elements. Two hypotheses whose own predictions lie within 1 ΔE00 of each other in mean cannot be told apart by a scan,
and the answer says so.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import NeutralWedge, PatchField, Ring
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe, parse_recipe
from inkstrain.targets.rings import ring_rgb
from inkstrain.targets.sweeps import sweep_rgb

from ..results.score import HueSweepScore, Hypothesis, NeutralWedgeScore, PatchFieldScore, PrintedAs, RingScore, Score
from .attain import sweep_fractions
from .rendering import RENDERINGS, Press

__all__ = ["TELLABLE_DE00", "printed_as"]

Array = NDArray[np.float64]
Predict = Callable[[Array], Array]
Verdict = Literal["fits", "does-not-fit", "cannot-tell"]

TELLABLE_DE00: Final = 1.0
"""Mean ΔE00 between two predictions from which a scan can tell which one was printed."""

_SAME_DE00: Final = 0.05
_SURE: Final = 3.0  # standard errors, over the elements, of the difference of two misfits
_POOR_DE00: Final = 5.0  # common practice, no source: a flatbed without a good profile is off by 2 to 4
_KEPT: Final = 0.9
_EVERY_MM: Final = 0.5
_SWEEP_EVERY: Final = 4
_SCALE_TOLERANCE: Final = 0.01
_STATED: Final = "as stated"


@dataclass(frozen=True, slots=True)
class _Sample:
    """One element's colours: what the file asked for, (n, 3) encoded, and what was measured, (n, 3) CIELAB."""

    rgb: Array
    lab: Array


def printed_as(score: Score, press: Press, others: Sequence[OutputProfile] = ()) -> PrintedAs | None:
    """Return which way of printing fits a score best, and whether that can be told; ``None`` without colours.

    Parameters
    ----------
    press
        The stated profile and rendering.
    others
        Profiles that may have been used instead.
    """
    samples = list(_samples(score, parse_recipe(score.recipe)))
    if not samples:
        return None
    predicted: dict[str, list[Array]] = {}
    for name, predict in _ways(press, others, samples):
        labs = [predict(sample.rgb) for sample in samples]
        # what comes out as another way does is that way by another name
        if all(_apart(labs, known) >= _SAME_DE00 for known in predicted.values()):
            predicted[name] = labs
    misfits = {
        name: np.array([_misfit(lab, sample.lab) for lab, sample in zip(labs, samples, strict=True)])
        for name, labs in predicted.items()
    }
    best = min(misfits, key=lambda name: float(misfits[name].mean()))
    if np.mean(misfits[best]) >= np.mean(misfits[_STATED]) - 1e-9:
        best = _STATED
    lead = misfits[_STATED] - misfits[best]
    error = float(np.std(lead, ddof=1) / np.sqrt(len(lead))) if len(lead) > 1 else float("inf")
    hypotheses = tuple(
        Hypothesis(
            name=name, misfit_de00=float(misfits[name].mean()), apart_de00=_apart(predicted[name], predicted[best])
        )
        for name in sorted(misfits, key=lambda name: (float(misfits[name].mean()), name != best))
    )
    differs = _apart(predicted[_STATED], predicted[best]) >= TELLABLE_DE00 and float(lead.mean()) > _SURE * error
    twins = tuple(h.name for h in hypotheses if h.name not in (best, _STATED) and h.apart_de00 < TELLABLE_DE00)
    poor = float(misfits[best].mean()) > _POOR_DE00
    verdict: Verdict = "does-not-fit" if differs else "cannot-tell" if best != _STATED or twins else "fits"
    found = PrintedAs(
        stated=press.rendering.name,
        best=best,
        verdict=verdict,
        lead_de00=float(lead.mean()),
        lead_standard_error_de00=error if np.isfinite(error) else None,
        not_told_from=twins,
        nothing_fits=poor,
        hypotheses=hypotheses,
        text="",
    )
    return found.model_copy(update={"text": _words(found, score)})


def _ways(press: Press, others: Sequence[OutputProfile], samples: Sequence[_Sample]) -> Iterator[tuple[str, Predict]]:
    """Yield the names of the hypotheses and what they predict; those that the profile cannot do are left out."""
    profile, rendering = press.profile, press.rendering
    press = dataclasses.replace(press, absolute=False)
    ways: list[tuple[str, Predict]] = [(_STATED, press.lab)]
    ways += [
        (each.name, dataclasses.replace(press, rendering=each).lab)
        for each in RENDERINGS
        if each.name != rendering.name and profile.table(each.intent) is not None
    ]
    if press.space != "srgb":
        ways.append(("the chart's numbers taken for sRGB", dataclasses.replace(press, space="srgb").lab))
    ways.append(("the profile applied twice", lambda rgb: _twice(press, rgb)))
    ways.append(("no colour management", lambda rgb: xyz_to_lab(profile.device_xyz(profile.straight_device(rgb)))))
    ways += [
        (f"the profile {other.description}", dataclasses.replace(press, profile=other).lab)
        for other in others
        if other.data != profile.data
    ]
    probe = samples[0].rgb[:2]
    for number, (name, predict) in enumerate(ways):
        try:
            usable = bool(np.isfinite(predict(probe)).all())
        except CannotMeasureError:
            if number == 0:
                raise
            usable = False
        if usable:
            yield name, predict


def _twice(press: Press, rgb: Array) -> Array:
    """Return what two conversions in a row give: RGB printer values taken for the chart's space, inks by their colour.

    The second is what a program does that converts what another has converted.
    """
    profile, rendering = press.profile, press.rendering
    device = profile.to_device(press.space, rgb, rendering.intent, rendering.bpc)
    if profile.device == "rgb":
        return press.lab(np.clip(device, 0.0, 1.0))
    again = profile.xyz_to_device(profile.device_xyz(device), rendering.intent, rendering.bpc)
    return xyz_to_lab(profile.device_xyz(again))


def _apart(one: Sequence[Array], other: Sequence[Array]) -> float:
    """Return the mean ΔE00 between two predictions, over the elements."""
    return float(np.mean([np.mean(delta_e00(a, b)) for a, b in zip(one, other, strict=True)]))


def _misfit(predicted: Array, measured: Array) -> float:
    away = np.sort(np.asarray(delta_e00(predicted, measured)))
    return float(np.mean(away[: max(int(np.ceil(_KEPT * len(away))), 1)]))


def _samples(score: Score, recipe: Recipe) -> Iterator[_Sample]:
    known = {e.id: e for sheet in build_key(recipe).sheets for tile in sheet.tiles for e in tile.elements}
    for element in score.elements:
        match element, known.get(element.id):
            case RingScore() as ring, Ring() as described if len(ring.course.radius_mm) > 2:
                radius = np.array(ring.course.radius_mm)
                step = max(round(_EVERY_MM / float(np.median(np.diff(radius)))), 1)
                # the borders of hub and rim are the scanner's blur, not the print's colour
                inside = np.flatnonzero((radius > described.ramp_mm[0]) & (radius < described.ramp_mm[1]))[::step]
                if len(inside):
                    yield _Sample(ring_rgb(described, recipe, radius[inside]), np.array(ring.course.lab)[inside])
            case HueSweepScore() as sweep, _:
                for row in sweep.rows:
                    rows = slice(None, None, _SWEEP_EVERY)
                    fraction = sweep_fractions(recipe, row.level, np.array(row.hue_deg[rows]))
                    yield _Sample(sweep_rgb(recipe.space, row.level, fraction), np.array(row.lab[rows]))
            case NeutralWedgeScore() as wedge, NeutralWedge() as described:
                asked = {step.step: step.rgb for step in described.steps}
                rgb = np.array([asked[step.step] for step in wedge.steps])
                yield _Sample(rgb, np.array([step.lab for step in wedge.steps]))
            case PatchFieldScore() as field, PatchField() as described:
                by_name = {patch.patch: patch.rgb for patch in described.patches}
                rgb = np.array([by_name[reading.patch] for reading in field.patches])
                yield _Sample(rgb, np.array([reading.lab for reading in field.patches]))


def _words(found: PrintedAs, score: Score) -> str:
    """Return the answer in sentences."""
    first = found.hypotheses[0]
    stated = next(h for h in found.hypotheses if h.name == _STATED)
    best = found.stated if found.best == _STATED else found.best
    if found.verdict == "does-not-fit":
        text = (
            f"The print does not look as stated ({found.stated}): {best} fits better, {first.misfit_de00:.1f} ΔE00 "
            f"from what was measured, relative to paper, against {stated.misfit_de00:.1f}. Check that before drawing "
            "conclusions."
        )
    elif found.verdict == "fits":
        text = (
            f"The print fits what was stated ({found.stated}) best, {stated.misfit_de00:.1f} ΔE00 in mean, relative "
            "to paper."
        )
    else:
        alike = [name for name in (found.best, *found.not_told_from) if name != _STATED]
        text = (
            f"The print fits what was stated ({found.stated}), {stated.misfit_de00:.1f} ΔE00 in mean, relative to "
            f"paper; this chart cannot tell that from: {', '.join(alike)}."
        )
    if found.nothing_fits:
        text += " Nothing fits well: another profile, another paper, or a scanner far off may be the reason."
    scale = [abs(axis - 1.0) for tile in score.tiles for axis in tile.print_scale]
    if scale and max(scale) > _SCALE_TOLERANCE:
        text += (
            f" The scanned chart is {100 * max(scale):.1f} % off its size: print at 100 %, without fitting to the page "
            "(a scan cannot tell the print's size from the scanner's own error)."
        )
    return text

"""Whether a scan can be of the chart that it says it is: what is asked for twice comes out alike, and colours can be.

A scan may be torn, covered, stained, glared on, put together, saved with losses or have its channels mixed, and still
give numbers. What the chart asks for twice gives it away: places of one colour within an element, rims and hubs against
bands and steps of the same colour, codes against each other, the channels' marks. An element that cannot be trusted is
left out, with a flag that says why and where; what has no second witness in one scan is not looked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import delta_e00

from ..measure.alike import Signs, Unlikeness
from ..measure.rings import unmeasured_ring
from ..results.score import ElementScore, Flag, HueSweepScore, NeutralWedgeScore, PatchFieldScore, RingScore

__all__ = ["Checked", "checked"]

Array = NDArray[np.float64]

# What each limit parts, on clean and spoiled scans of invented prints: tests/bench_silent.py
_UNLIKE: Final = 2.0
"""CIELAB that squares may differ from places of the same colour by, beside three of what grain makes of them: smooth
prints have up to 1.9 in all, a faint stain 3."""
_GRAINS: Final = 3.0
_TWIN_DE00: Final = 6.0
_SAME_ASKED_DE00: Final = 1.0
_COSINE: Final = 0.7
"""Of printed and asked a*b*: eight hues have 0.97 or more, three through a press profile under 0.9, and are sound."""
_COLOURLESS: Final = 0.25  # of the asked chroma, rms
_LEAST_CHROMA: Final = 15.0  # asked of a colour for its hue to count
_CODES: Final = 0.97
"""Of the codes along the fades: clean scans have all of them, 7 bits in 8 half."""
_FEW_CODES: Final = 0.75
_BLOCKS: Final = 0.03  # a TIFF has up to 0.02, one that was a JPEG of quality 95 before has 0.06
_SHIFT_MM: Final = 0.15  # half as much again as the resolution that fades are stated at
_AT_MOST: Final = 0.9  # of paper pixels at one code, the largest: noise leaves under a half there


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """Elements as they may be used: rings that cannot be are unmeasured, others are left out."""

    elements: tuple[ElementScore, ...]
    flags: tuple[Flag, ...]


def checked(
    elements: Sequence[ElementScore], unlike: Mapping[str, Unlikeness], signs: Sequence[Signs]
) -> Checked:
    """Return the elements of a print that can be trusted, and what is wrong with the others and with its scans.

    Parameters
    ----------
    unlike
        How far places of one colour are apart, by element.
    signs
        What each tile's scan shows of itself.
    """
    flags = [flag for one in signs for flag in _scan_flags(one)]
    reasons: dict[str, str] = {}
    for whole in (_mixed_up(elements), *(_everywhere(one) for one in signs)):
        if whole is not None:
            colourful, text = whole
            reasons |= {
                e.id: text for e in elements if not (colourful and isinstance(e, NeutralWedgeScore))
            }
    for element in elements:
        found = unlike.get(element.id)
        if found is not None and found.worst > _UNLIKE + _GRAINS * found.scatter:
            x, y = found.place_mm
            reasons.setdefault(
                element.id,
                f"places that should be of one colour differ by {found.worst:.0f} ΔE or more, most at x {x:.0f}, "
                f"y {y:.0f} mm of the sheet, as where it is torn, covered, stained, moved or lit by a reflection; "
                "clean print and glass, lay it flat and scan it again",
            )
    for name, text in _twins(elements):
        reasons.setdefault(name, text)
    flags += [Flag(code="left-out", where=name, text=f"{name} is left out: {text}") for name, text in reasons.items()]
    kept = []
    for element in elements:
        if element.id not in reasons:
            kept.append(element)
        elif isinstance(element, RingScore):
            kept.append(unmeasured_ring(element, f"left-out: {reasons[element.id]}"))
    return Checked(elements=tuple(kept), flags=tuple(dict.fromkeys(flags)))


def _scan_flags(signs: Signs) -> Iterator[Flag]:
    if _FEW_CODES <= signs.occupied < _CODES:
        yield Flag(
            code="codes-missing",
            text=f"{1 - signs.occupied:.0%} of the code values between dark and light do not occur, as after a change "
            "of contrast in 8 bits: tones are coarser than printed; scan with 16 bits and no automatic correction",
        )
    if signs.blocks > _BLOCKS and not signs.lossy:
        yield Flag(
            code="saved-as-jpeg",
            text="blocks of 8 pixels show: the picture was saved as JPEG before, which changes fine tones; "
            "save the scan as TIFF from the start",
        )
    if signs.paper_at_most > _AT_MOST:
        yield Flag(
            code="highlights-clipped",
            text="the paper has one and the same value everywhere: light tones are cut off; "
            "turn off the scanner's automatic exposure",
        )


def _everywhere(signs: Signs) -> tuple[bool, str] | None:
    """Return whether only colours are concerned, and what is wrong with all elements of a scan, if anything is."""
    if signs.occupied < _FEW_CODES:
        return False, (
            f"{1 - signs.occupied:.0%} of the code values between dark and light do not occur: the scan was cut to "
            "fewer tones; scan with 8 or 16 true bits a channel"
        )
    if signs.channel_shift_mm > _SHIFT_MM:
        return False, (
            f"red, green and blue of the scan lie {signs.channel_shift_mm:.2f} mm apart; scan it again, without "
            "moving the print, and let no program line up the channels"
        )
    return None


def _mixed_up(elements: Sequence[ElementScore]) -> tuple[bool, str] | None:
    pairs = list(_colours(elements))
    if not pairs:
        return None
    printed, asked = (np.array(values) for values in zip(*pairs, strict=True))
    strong = np.hypot(asked[:, 1], asked[:, 2]) > _LEAST_CHROMA
    if strong.sum() < 3:
        return None
    got, wanted = printed[strong, 1:], asked[strong, 1:]
    size = float(np.linalg.norm(got)), float(np.linalg.norm(wanted))
    if size[0] < _COLOURLESS * size[1]:
        return True, "the scan has hardly any colour: it was scanned as grey, or printed with black ink only"
    cosine = float(np.sum(got * wanted)) / (size[0] * size[1])
    if cosine < _COSINE:
        return True, (
            "its colours are not in the order that the chart has them in: channels of the scan were exchanged or "
            "copied, or inks; save the scan as plain RGB, and look at the print"
        )
    return None


def _colours(elements: Sequence[ElementScore]) -> Iterator[tuple[tuple[float, ...], tuple[float, ...]]]:
    """Yield printed and asked colours of what is asked for in full colour."""
    for element in elements:
        if isinstance(element, RingScore) and element.course.lab:
            yield element.course.lab[-1], element.course.intended_lab[-1]
        elif isinstance(element, HueSweepScore):
            for row in element.rows:
                yield from zip(row.lab, row.intended_lab, strict=True)
        elif isinstance(element, PatchFieldScore):
            for patch in element.patches:
                yield patch.lab, patch.intended_lab


def _twins(elements: Sequence[ElementScore]) -> Iterator[tuple[str, str]]:
    """Yield the fades whose rim or hub is not as others print the same colour: exchanged, or of another print."""
    rings = [element for element in elements if isinstance(element, RingScore) and element.course.lab]
    known = list(_colours([one for one in elements if isinstance(one, HueSweepScore | PatchFieldScore)]))
    for ring in rings:
        others = [one for one in rings if one is not ring]
        for end, what in ((-1, "rim"), (0, "hub")):
            printed, asked = np.array(ring.course.lab[end]), np.array(ring.course.intended_lab[end])
            twins = [(one.course.lab[end], one.course.intended_lab[end]) for one in others]
            pool = [*known, *twins] if end == -1 else twins
            if not pool:
                continue
            wanted = np.array([pair[1] for pair in pool])
            same = np.asarray(delta_e00(wanted, asked)) < _SAME_ASKED_DE00
            if not same.any():
                continue
            away = np.asarray(delta_e00(np.array([pair[0] for pair in pool])[same], printed))
            if float(np.median(away)) > _TWIN_DE00:
                yield ring.id, (
                    f"the colour of its {what} is {np.median(away):.0f} ΔE00 from the same colour elsewhere on the "
                    "print, as if it were another disc; scan the print as one piece"
                )
                break

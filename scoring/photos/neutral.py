"""What becomes of a black-and-white picture's tones: cast, merged tones, shadows that do not leave black."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..results.photos import NeutralTones
from .reading import Source
from .sides import Intended, Side, neutral_lab

__all__ = ["neutral_tones", "neutral_words"]

Array = NDArray[np.float64]

_FLAT: Final = 0.25  # of the step that the file asks for: common practice, no source
_SHADOW_L: Final = 25.0
_LEAST_AREA: Final = 1e-5
_CAST_C: Final = 2.0  # a cast that shows beside a neutral: common practice, no source
_MERGED: Final = 0.02


def neutral_tones(side: Side, source: Source, area_by_l: Array) -> NeutralTones | None:
    """Return what a side makes of a picture's tones; ``None`` for what the file asks for.

    Parameters
    ----------
    area_by_l
        Area at each whole L* from 0 to 100, shape (101,).
    """
    if isinstance(side, Intended):
        return None
    # a score's own wedge, where it has one, rather than a model of it
    asked, printed = getattr(side, "neutral", None) or neutral_lab(side, source)
    level = np.arange(101.0)
    keep = np.concatenate([[True], np.diff(np.maximum.accumulate(asked)) > 0])
    lab = np.stack([np.interp(level, asked[keep], printed[keep, i]) for i in range(3)], axis=-1)
    share = area_by_l / area_by_l.sum()
    used = share > _LEAST_AREA
    chroma = np.where(used, np.hypot(lab[:, 1], lab[:, 2]), 0.0)
    worst = int(np.argmax(chroma))
    flat = np.gradient(lab[:, 0], level) < _FLAT
    first = side.first_from_black_l if hasattr(side, "first_from_black_l") else None
    return NeutralTones(
        cast_max_c=float(chroma[worst]), cast_at_l=float(level[worst]), cast_mean_c=float(share @ chroma),
        cast_lab=(float(lab[worst, 0]), float(lab[worst, 1]), float(lab[worst, 2])), black_l=float(lab[0, 0]),
        merged=float(share[flat].sum()), merged_shadows=float(share[flat & (level < _SHADOW_L)].sum()),
        lost_in_black=None if first is None else float(share[(level > 0.5) & (level < first)].sum()),
    )  # fmt: skip


def neutral_words(tones: NeutralTones, name: str) -> str:
    """Return in a sentence what a black-and-white print would suffer, or nothing."""
    from ..words.phrases import cast_direction
    from .words import per_cent

    said = []
    if tones.cast_max_c >= _CAST_C:
        toward = cast_direction(tones.cast_lab[1], tones.cast_lab[2])
        said.append(f"a cast to {toward} of C* {tones.cast_max_c:.1f} at L* {tones.cast_at_l:.0f}")
    if tones.merged >= _MERGED:
        where = "shadow tones" if tones.merged_shadows > tones.merged / 2 else "tones"
        said.append(f"{where} that merge on {per_cent(tones.merged)} of the frame")
    if tones.lost_in_black is not None and tones.lost_in_black >= _MERGED:
        said.append(f"{per_cent(tones.lost_in_black)} of the frame in tones not seen apart from black")
    return f"Greys on {name}: {', '.join(said)}." if said else f"Greys on {name} stay neutral and apart."

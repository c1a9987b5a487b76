"""What a scanner's automatic corrections do to a ring: one invented print, scanned once, corrected in eight ways.

python examples/corrections.py      prints the table of examples/guide/scanning.md (a minute)
"""

import tempfile
from collections.abc import Callable
from pathlib import Path

import imagecodecs
import numpy as np
import tifffile
from scipy.ndimage import gaussian_filter, median_filter

import inkstrain
from inkstrain.scoring.jobs.scoring import Measured

DAMAGES = (
    "step:ring-to-white-red:9:3",
    "bump:ring-to-white-cyan:9:1:0.6",
    "held:ring-to-black-red:8:9.2",
)
Pixels = np.ndarray


def _each(filtered: Callable[[Pixels], Pixels]) -> Callable[[Pixels], Pixels]:
    return lambda image: np.dstack([filtered(image[..., channel]) for channel in range(3)])


def _stretched(image: Pixels) -> Pixels:
    low, high = np.percentile(image, (1, 95))
    return (image - low) / (high - low)


def _curved(image: Pixels) -> Pixels:
    return image + 0.08 * np.sin(2 * np.pi * (image - 0.5))


def _saturated(image: Pixels) -> Pixels:
    grey = image.mean(axis=2, keepdims=True)
    return grey + 1.2 * (image - grey)


def _jpeg(image: Pixels) -> Pixels:
    packed = imagecodecs.jpeg8_encode(np.round(255 * image.clip(0, 1)).astype(np.uint8), level=75)
    return imagecodecs.jpeg8_decode(packed) / 255.0


CORRECTIONS: dict[str, Callable[[Pixels], Pixels]] = {
    "none": lambda image: image,
    "sharpening (1 pixel, 100 %)": _each(lambda c: c + (c - gaussian_filter(c, 1.0))),
    "strong sharpening (2 pixels, 200 %)": _each(lambda c: c + 2.0 * (c - gaussian_filter(c, 2.0))),
    "removing screens or moiré (blur of 2 pixels)": _each(lambda c: gaussian_filter(c, 2.0)),
    "removing noise or dust (middle of 7 x 7 pixels)": _each(lambda c: median_filter(c, 7)),
    "automatic exposure (ends stretched)": _stretched,
    "a contrast curve": _curved,
    "more colour (20 %)": _saturated,
    "8 bits, JPEG of middle quality": _jpeg,
}


def main() -> None:
    """Print the table."""
    recipe = inkstrain.Recipe(sheet="120x160", hues=2, only=("ring-to-white", "ring-to-black"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        inkstrain.rehearse(recipe, folder / "scan.tif", damages=DAMAGES, dpi=300, seed=1)
        with tifffile.TiffFile(folder / "scan.tif") as file:
            image = file.asarray() / 65535.0
        head = ("correction", "ring: jump beyond an even fade, width", "faint ring", "merged tones, width")
        print(f"| {' | '.join(head)} | other findings |\n|---|---|---|---|---|")
        for words, correct in CORRECTIONS.items():
            pixels = np.round(65535 * correct(image).clip(0, 1)).astype(np.uint16)
            tifffile.imwrite(folder / "seen.tif", pixels, photometric="rgb", resolution=(300, 300))
            print(_row(words, inkstrain.score(folder / "seen.tif")))


def _row(words: str, measured: Measured) -> str:
    fades = {ring.id: ring for ring in measured.score.rings()}
    rings = [one for one in fades["ring-to-white-red"].contours if abs(one.radius_mm - 9) < 0.5]
    faint = [one for one in fades["ring-to-white-cyan"].faint_rings if abs(one.radius_mm - 9) < 0.5]
    flats = [one for one in fades["ring-to-black-red"].flat_bands if one.inner_mm < 9 and one.outer_mm > 8.2]
    kept = len(rings) + len(flats) + len(faint)
    others = sum(len(ring.contours) + len(ring.flat_bands) + len(ring.faint_rings) for ring in fades.values()) - kept
    cells = [
        f"{rings[0].excess_de00:.2f} ΔE00, {rings[0].width_mm:.2f} mm" if rings else "lost",
        f"{faint[0].amplitude_l:.2f} L*" if faint else "lost",
        f"{flats[0].missing_de00:.1f} ΔE00, {flats[0].width_mm:.1f} mm" if flats else "lost",
        str(others),
    ]
    return f"| {words} | {' | '.join(cells)} |"


if __name__ == "__main__":
    main()

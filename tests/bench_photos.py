"""Photographs, by hand: ``python tests/bench_photos.py [--large] [--score NAME]``; every run in a process of its own.

Against a plain whole-picture computation of the same shares, by Pillow's ImageCms (8 bits, as it has no more) and
colour-science: time, peak memory and shares on a 24-megapixel JPEG; and against Little CMS in float, whole, for the
shares alone. ``--large``: peak memory on a 150-megapixel 16-bit TIFF. Needs pyvips, whose CMYK profile is the printer.
``--score``: a score of a rehearsed print on an imaginary printer, as a printer model, against the printer itself, on 20
pictures.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
SIDES = (("relative", 1, True), ("perceptual", 0, False))


def ours(picture: Path, profile: Path) -> dict[str, Any]:
    from inkstrain.scoring.photos.look import look_at_photos
    from inkstrain.scoring.photos.what import read_side
    from inkstrain.scoring.results.score import Viewing

    a, b = (read_side(f"{profile},{name}") for name, _, _ in SIDES)
    found = look_at_photos([picture], a, b, Viewing(distance_mm=400.0, luminance_cd_m2=143.0))
    return found.pictures[0].area_over.model_dump()


def plain(picture: Path, profile: Path) -> dict[str, Any]:
    """Pillow and colour-science, the whole picture at once."""
    import colour
    from PIL import Image, ImageCms

    with Image.open(picture) as opened:
        image = opened.convert("RGB")
    source, lab = ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB")
    printer = ImageCms.getOpenProfile(str(profile))
    labs = []
    for _, intent, bpc in SIDES:
        flags = ImageCms.Flags.BLACKPOINTCOMPENSATION if bpc else ImageCms.Flags.NONE
        to = ImageCms.buildTransform(source, printer, "RGB", "CMYK", ImageCms.Intent(intent), flags)
        back = ImageCms.buildTransform(printer, lab, "CMYK", "LAB", ImageCms.Intent.RELATIVE_COLORIMETRIC)
        coded = np.asarray(ImageCms.applyTransform(ImageCms.applyTransform(image, to), back))
        signed = coded[..., 1:].astype(np.int8).astype(np.float64)
        labs.append(np.concatenate([coded[..., :1] * (100.0 / 255.0), signed], axis=-1))
    off = colour.delta_E(labs[0], labs[1], method="CIE 2000")
    return {str(limit): float((off > limit).mean()) for limit in (1, 2, 3, 5)}


def whole(picture: Path, profile: Path) -> dict[str, Any]:
    """Little CMS in float and colour-science, every pixel by itself (in parts, for the shares alone)."""
    import colour
    import imagecodecs
    from PIL import Image

    from inkstrain.targets.colorimetry import WHITE_D50
    from inkstrain.targets.spaces import icc_profile

    with Image.open(picture) as opened:
        pixels = np.asarray(opened.convert("RGB"))
    data, source = profile.read_bytes(), icc_profile("srgb")
    white = colour.XYZ_to_xy(WHITE_D50)
    over = np.zeros(4)
    for rows in np.array_split(pixels, 48):
        values = np.ascontiguousarray(rows, dtype=np.float64) / 255.0
        labs = []
        for _, intent, bpc in SIDES:
            flags = imagecodecs.CMS.FLAGS.NOOPTIMIZE | (imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION if bpc else 0)
            inks = imagecodecs.cms_transform(
                values, source, data, colorspace="rgb", outcolorspace="cmyk", outdtype="float64", intent=intent,
                flags=flags,
            )  # fmt: skip
            xyz = imagecodecs.cms_transform(
                inks, data, imagecodecs.cms_profile("xyz"), colorspace="cmyk", outcolorspace="xyz", outdtype="float64",
                intent=1, flags=imagecodecs.CMS.FLAGS.NOOPTIMIZE,
            )  # fmt: skip
            labs.append(colour.XYZ_to_Lab(xyz, white))
        off = colour.delta_E(labs[0], labs[1], method="CIE 2000")
        over += [(off > limit).sum() for limit in (1, 2, 3, 5)]
    return dict(zip(("1", "2", "3", "5"), (over / pixels[..., 0].size).tolist(), strict=True))


def peak_mib() -> float:
    """Return this process's own peak memory; getrusage would count the parent's before the start."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def run(what: str, picture: Path, profile: Path) -> dict[str, Any]:
    """Run one of the three in a process of its own."""
    words = [sys.executable, __file__, what, str(picture), str(profile)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def photograph(width: int, height: int) -> np.ndarray[Any, Any]:
    """Return a photograph that scikit-image ships, enlarged, with grain of its own."""
    import skimage.data
    from PIL import Image

    small = Image.fromarray(skimage.data.astronaut())
    large = np.asarray(small.resize((width, height), Image.Resampling.BICUBIC), dtype=np.float32)
    rng = np.random.default_rng(1)
    for rows in np.array_split(large, 64):
        rows += rng.normal(0.0, 2.0, rows.shape).astype(np.float32)
    return np.clip(large, 0, 255)


def model_of(name: str) -> None:
    """Print, for 20 pictures, the share over 2 ΔE00 of covered pixels by the printer and by its score's model."""
    from test_photos_models import pictures

    from inkstrain.scoring.jobs.scoring import score_scans
    from inkstrain.scoring.photos.printermodel import score_side
    from inkstrain.scoring.photos.reading import Source
    from inkstrain.scoring.photos.sides import BITS
    from inkstrain.targets.colorimetry import delta_e00, xyz_to_lab
    from inkstrain.targets.recipe import Recipe
    from inkstrain.targets.rehearsal import PrintOptions, ScanOptions, inkjet, rehearse
    from inkstrain.targets.spaces import icc_profile

    recipe, printer = Recipe(), inkjet(name, "relative")
    with tempfile.TemporaryDirectory() as folder:
        scan = Path(folder) / "scan.tif"
        rehearse(
            recipe, scan, printer=printer, print_options=PrintOptions(grain=0.01), scan_options=ScanOptions(dpi=300),
            seed=1,
        )  # fmt: skip
        side = score_side(score_scans([scan]).score, name)
    print(name, side.view.model_error)
    source = Source(icc_profile(recipe.space), recipe.space)
    pooled = np.zeros(3)
    for number, values in enumerate(pictures(), 1):
        asked = xyz_to_lab(source.to_xyz(values))
        covered = side.bits(source, values, asked) & BITS["not_covered"] == 0
        true = delta_e00(xyz_to_lab(printer.print_xyz(recipe.space, values[covered])), asked[covered]) > 2.0
        model = delta_e00(side.lab(source, values[covered], asked[covered]), asked[covered]) > 2.0
        pooled += [covered.sum(), true.sum(), model.sum()]
        print(f"{number:3d} covered {covered.mean():6.1%} over 2: {true.mean():6.1%} by the model {model.mean():6.1%}")
    print(f"all covered pixels: {pooled[1] / pooled[0]:.1%}, by the model {pooled[2] / pooled[0]:.1%}")


def main() -> None:
    if "--score" in sys.argv:
        model_of(sys.argv[-1])
        return
    if sys.argv[1:2] and sys.argv[1] in ("ours", "plain", "whole"):
        start = time.perf_counter()
        shares = {"ours": ours, "plain": plain, "whole": whole}[sys.argv[1]](Path(sys.argv[2]), Path(sys.argv[3]))
        peak = peak_mib()
        print(json.dumps({"s": time.perf_counter() - start, "mib": peak, "shares": shares}))
        return
    import pyvips
    import tifffile
    from PIL import Image

    with tempfile.TemporaryDirectory() as name:
        profile = Path(name) / "cmyk.icc"
        profile.write_bytes(bytes(pyvips.Operation.call("profile_load", "cmyk")))
        if "--large" in sys.argv:
            picture = Path(name) / "large.tif"
            pixels = (photograph(15000, 10000) * 257).astype(np.uint16)
            tifffile.imwrite(picture, pixels, photometric="rgb", rowsperstrip=64)
            del pixels
            print("150 megapixels, 16 bits:", run("ours", picture, profile))
            return
        picture = Path(name) / "picture.jpg"
        Image.fromarray(photograph(6000, 4000).astype(np.uint8)).save(picture, quality=95)
        results = {what: run(what, picture, profile) for what in ("ours", "plain", "whole")}
        for what, found in results.items():
            print(f"{what:6s} {found['s']:6.1f} s {found['mib']:7.0f} MiB {found['shares']}")
        print("time", results["plain"]["s"] / results["ours"]["s"], "x faster")
        print("memory", results["ours"]["mib"] / results["plain"]["mib"], "of the plain computation's")


if __name__ == "__main__":
    main()

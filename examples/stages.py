"""A number's way: one invented ring from recipe to verdict, every stage printed.

python examples/stages.py [FOLDER]      (about 3 seconds; no printer and no scanner takes part)
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

import inkstrain
from inkstrain.scoring.colour.basis import scan_basis
from inkstrain.scoring.measure.rings import radial_means
from inkstrain.scoring.measure.sampling import open_window
from inkstrain.scoring.measure.tile import measure_tile
from inkstrain.scoring.place.placement import locate
from inkstrain.scoring.read.scanfile import open_scan
from inkstrain.targets.chart import build_key


def main(folder: Path) -> None:
    """Print each stage of one number's way."""
    recipe = inkstrain.Recipe(sheet="120x130", hues=1, only=("ring-to-white",))
    print(f"recipe      {recipe.text}  (chart {recipe.chart_id})")

    ring = build_key(recipe).sheets[0].tiles[0].elements[0]
    print(f"key         {ring.id}: middle {ring.centre_mm} mm, ramp {ring.ramp_mm} mm")

    path = folder / "scan.tif"
    inkstrain.rehearse(recipe, path, damages=["step:ring-to-white-red:9:3"], dpi=300, seed=1)
    with open_scan(path) as scan:
        print(f"scan        {scan.width} x {scan.height} px")
        (placement,) = locate(scan)
        print(f"placement   {placement.marks_used} marks, {placement.residual_rms_mm:.4f} mm rms")
        basis = scan_basis(scan.icc, path.name)
        print(f"basis       {basis.described.kind}")
        tile = measure_tile(scan, placement, basis)
        (x, y), radius = ring.centre_mm, ring.radius_mm
        window = open_window(scan, placement, (x - radius, y - radius, 2 * radius, 2 * radius))
        means = radial_means(window, ring, basis, tile.paper_xyz, placement.blur_mm)
        middle = int(np.nanargmin(abs(means.place - 9.0)))
        print(f"means       at {means.place[middle]:.2f} mm L*a*b* {np.round(means.lab[middle], 2)}")
    found = tile.elements[0]
    course = found.course.arrays()
    print(f"course      {len(course['radius_mm'])} radii at a resolution of {found.resolution_mm} mm")
    (contour,) = found.contours
    print(f"finding     {contour.radius_mm:.3f} mm, excess {contour.excess_de00:.2f} ± {1.96 * contour.noise_de00:.2f}")

    measured = inkstrain.score(path)
    print(f"score       excess_to_white {measured.score.totals.excess_to_white.value:.2f} ΔE00")
    print(f"verdict     within tolerance: {inkstrain.judge(measured).within}")
    print(f"report      {inkstrain.report(measured, folder / 'report.html').name}")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as name:
            main(Path(name))

"""The pictures of README.md, made anew: a chart, and the head of a report of an invented print.

python examples/pictures.py      (needs Chromium on the path)
"""

import io
import subprocess
import tempfile
from pathlib import Path

from PIL import Image, ImageCms

import inkstrain

HERE = Path(__file__).parent / "guide"
REPORT_PX = (1100, 780)


def main() -> None:
    """Write chart.png and report.png beside the guides."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sheet, key = inkstrain.make_chart(inkstrain.Recipe(dpi=150), folder)
        with Image.open(io.BytesIO(_srgb(sheet))) as chart:
            _keep(chart, "chart.png", 360)
        inkstrain.rehearse(key, folder / "scan.tif", printer="rowan", dpi=300, seed=2)
        print_ = {"printer": "rowan (invented)", "paper": "gloss 290 (invented)", "intent": "relative"}
        page = inkstrain.report(inkstrain.score(folder / "scan.tif", conditions=print_), folder / "report.html")
        size = ",".join(map(str, REPORT_PX))
        words = ["chromium", "--headless", "--no-sandbox", "--hide-scrollbars", f"--window-size={size}"]
        shot = folder / "report.png"
        subprocess.run([*words, f"--screenshot={shot}", page.as_uri()], check=True, capture_output=True, timeout=120)
        with Image.open(shot) as report:
            _keep(report, "report.png", 820)


def _srgb(sheet: Path) -> bytes:
    """Return a chart as the PNG that a screen shows."""
    import tifffile

    with tifffile.TiffFile(sheet) as file:
        icc = file.pages[0].tags[34675].value
        pixels = file.asarray()
    image = Image.fromarray((pixels >> 8).astype("uint8")).resize((840, 1188), Image.Resampling.LANCZOS)
    shown = ImageCms.profileToProfile(
        image, ImageCms.ImageCmsProfile(io.BytesIO(icc)), ImageCms.createProfile("sRGB"), outputMode="RGB"
    )
    out = io.BytesIO()
    shown.save(out, "PNG")
    return out.getvalue()


def _keep(image: Image.Image, name: str, width_px: int) -> None:
    height = round(image.height * width_px / image.width)
    small = image.convert("RGB").resize((width_px, height), Image.Resampling.LANCZOS)
    small.save(HERE / name, optimize=True)  # in full colour: a palette would put rings into the fades


if __name__ == "__main__":
    main()

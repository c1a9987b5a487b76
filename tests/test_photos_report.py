"""The page about photographs: self-contained, nothing of the pictures' own data, one entry a picture."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from photo_samples import profile_file, saved, scene
from PIL import Image

from inkstrain.cli.app import main


def test_the_page_holds_every_picture_and_none_of_its_own_data(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    printer = profile_file(tmp_path)
    folder = tmp_path / "pictures"
    folder.mkdir()
    exif = Image.Exif()
    exif[315] = "A Photographer Of Note"  # Exif 2.3: Artist
    exif.get_ifd(0x8825)[1] = "N"  # GPSLatitudeRef
    saved(folder / "first <&>.jpg", scene(240, 160, 3), quality=92, exif=exif)
    saved(folder / "grey.png", np.asarray(scene(120, 160, 4)[..., 0]))
    (folder / "notes.txt").write_text("no picture")
    page = tmp_path / "page.html"
    assert main(["photos", str(folder), "--a", f"{printer},relative", "--report", str(page)]) == 0
    html = page.read_text(encoding="utf-8")
    assert html.count('<article class="ring"') == 2
    assert "first &lt;&amp;&gt;.jpg" in html
    assert "notes.txt" in html
    assert "Greys on printer.icc,relative" in html
    assert "A Photographer Of Note" not in html
    assert b"Exif" not in _pictures(html)
    assert not re.search(r'(?:src|href)="(?!data:|#)', html)
    assert "<script" not in html
    capfd.readouterr()


def _pictures(html: str) -> bytes:
    import base64

    coded = re.findall(r"data:image/(?:jpeg|png);base64,([A-Za-z0-9+/=]+)", html)
    assert len(coded) >= 12
    return b"".join(base64.b64decode(one) for one in coded)

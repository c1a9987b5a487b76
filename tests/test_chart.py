"""Recipe, layout, files and marks: what a chart promises, on sheets of every size and against other readers."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
import zxingcpp
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st
from PIL import Image
from qr_reader import read_modules

from inkstrain.targets.chart import build_key, read_key, write_chart
from inkstrain.targets.errors import InkstrainError, WrongUsageError
from inkstrain.targets.key import Element, Key, PatchField, Ring, Sheet
from inkstrain.targets.marks import code_modules
from inkstrain.targets.recipe import (
    KINDS,
    PATHS,
    SHEETS_MM,
    SPACES,
    Recipe,
    parse_code,
    parse_recipe,
    tile_code,
)
from inkstrain.targets.render import render_rows, sheet_size_px
from inkstrain.targets.spaces import decode, icc_profile

EDGE_MM = 8.0  # what printers and scanner glass lose at a sheet's edge
MARK_CLEAR_MM = 1.0  # beyond a mark's own radius
GAP_MM = 1.5  # between any two things printed
ROUNDED_MM = 2e-3  # keys hold three decimals
SMALLEST_MM = 100.0  # from here on there is room for everything

SIDES = st.integers(900, 9000).map(lambda tenths: tenths / 10)
RECIPES = st.builds(
    Recipe,
    sheet=st.sampled_from(sorted(SHEETS_MM)) | st.tuples(SIDES, SIDES).map(lambda size: f"{size[0]:g}x{size[1]:g}"),
    space=st.sampled_from(SPACES),
    path=st.sampled_from(PATHS),
    hues=st.integers(1, 36),
    dpi=st.integers(150, 1440),
    bed_mm=st.sampled_from([(216.0, 297.0), (216.0, 356.0), (310.0, 437.0), (105.0, 150.0), (148.5, 210.0)]),
    only=st.sets(st.sampled_from(KINDS), min_size=1).map(tuple),
)
Shape = tuple[float, float, float, float]  # a box, or a disc's centre (x, y), radius and a mark that it is one
DISC = -1.0


# the recipe


def test_the_default_chart_has_this_id() -> None:
    """Whoever changes this has renamed something in the recipe's text.

    Charts already printed carry the old text. `LAYOUT_VERSION` must be raised, and version 1 must stay readable.
    """
    recipe = Recipe()
    assert recipe.text == "INKSTRAIN/1/A4/ADOBE-RGB/EVEN/8/360/216X297/ALL"
    assert recipe.chart_id == "MUC5OWQA"


def test_the_default_layout_is_this_one() -> None:
    """Whoever changes this has moved or recoloured something on the default chart.

    Prints of it that are already out would be measured in the wrong places. Raise `LAYOUT_VERSION`.
    """
    places = hashlib.sha256()
    for sheet in build_key(Recipe()).sheets:
        for tile in sheet.tiles:
            text = tile.model_dump_json(exclude={"caption"})
            assert "-0.0" not in text  # the sign of a rounded nothing would differ from processor to processor
            places.update(text.encode())
    assert places.hexdigest()[:16] == "1e7169a134819248"


def test_the_id_is_a_hash_by_the_published_recipe() -> None:
    # SHA-256 of the text (FIPS 180-4), its first 40 bits in base 32 (RFC 4648)
    recipe = Recipe(space="prophoto", hues=12)
    digest = hashlib.sha256(recipe.text.encode("ascii")).digest()
    assert recipe.chart_id == base64.b32encode(digest).decode()[:8]


@given(RECIPES)
def test_a_recipe_survives_its_text_and_its_code(recipe: Recipe) -> None:
    assert parse_recipe(recipe.text) == recipe
    assert parse_recipe(f" {recipe.text.lower()}\n") == recipe
    assert parse_code(tile_code(recipe, 3, 2)) == (recipe, 3, 2)
    # ISO/IEC 18004, table 5: the characters that a QR code packs in 5.5 bits
    assert set(tile_code(recipe, 3, 2)) <= set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")


@given(RECIPES, RECIPES)
def test_different_recipes_have_different_ids(one: Recipe, other: Recipe) -> None:
    assert (one == other) == (one.text == other.text) == (one.chart_id == other.chart_id)


@given(st.data())
def test_a_code_that_was_changed_is_never_taken_for_another_chart(data: st.DataObject) -> None:
    code = tile_code(Recipe(), 1, 1)
    place = data.draw(st.integers(0, len(code) - 1))
    changed = code[:place] + data.draw(st.sampled_from("0123456789ABCDEFXYZ/-")) + code[place + 1 :]
    with contextlib.suppress(InkstrainError):
        recipe, _sheet, _tile = parse_code(changed)
        assert recipe == Recipe()


@given(st.text(max_size=120) | st.text("INKSTRA/1240X-", max_size=90).map(lambda text: f"INKSTRAIN/{text}"))
def test_other_text_is_refused_in_a_sentence(text: str) -> None:
    for parse in (parse_recipe, parse_code):
        with pytest.raises(WrongUsageError, match=r"\.$"):
            parse(text)


def test_free_spellings_are_one_recipe() -> None:
    assert Recipe(sheet=" A4 ") == Recipe(sheet="a4")
    assert Recipe(sheet="200.0x300") == Recipe(sheet="200x300.0") == Recipe(sheet="200X300")
    assert Recipe(only=("hue-sweep", "ring-to-white")) == Recipe(only=("ring-to-white", "hue-sweep"))


# the layout


def shape_of(element: Element) -> Shape:
    if isinstance(element, Ring):
        return (*element.centre_mm, element.radius_mm, DISC)
    return element.box_mm


def apart_mm(a: Shape, b: Shape) -> float:
    """Return the clear distance of two shapes; negative if they overlap."""
    if a[3] == DISC and b[3] == DISC:
        return math.dist(a[:2], b[:2]) - a[2] - b[2]
    if a[3] == DISC:
        a, b = b, a
    x, y, width, height = a
    if b[3] == DISC:
        dx, dy = max(x - b[0], 0.0, b[0] - x - width), max(y - b[1], 0.0, b[1] - y - height)
        return math.hypot(dx, dy) - b[2]
    return max(b[0] - x - width, x - b[0] - b[2], b[1] - y - height, y - b[1] - b[3])


def bounds(shape: Shape) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom."""
    if shape[3] == DISC:
        return shape[0] - shape[2], shape[1] - shape[2], shape[0] + shape[2], shape[1] + shape[2]
    return shape[0], shape[1], shape[0] + shape[2], shape[1] + shape[3]


def check_layout(recipe: Recipe) -> Key:
    key = build_key(recipe)
    for sheet in key.sheets:
        assert (sheet.width_mm, sheet.height_mm) == recipe.sheet_mm
        everything: list[tuple[str, Shape]] = []
        for tile in sheet.tiles:
            assert tile.elements
            assert sorted(tile.box_mm[2:])[0] <= min(recipe.bed_mm) + ROUNDED_MM
            assert sorted(tile.box_mm[2:])[1] <= max(recipe.bed_mm) + ROUNDED_MM
            printed = [("code", tile.code_box_mm), ("caption", tile.caption_box_mm)]
            printed += [(element.id, shape_of(element)) for element in tile.elements]
            marks = [("mark", (x, y, tile.mark_radius_mm, DISC)) for x, y in tile.marks_mm]
            left, top, right, bottom = bounds(tile.box_mm)
            for name, shape in [*printed, *marks]:
                a, b, c, d = bounds(shape)
                assert min(a - left, b - top, right - c, bottom - d) >= -ROUNDED_MM, (name, "outside its tile")
            for (name, shape), (_, mark) in itertools.product(printed, marks):
                assert apart_mm(shape, mark) >= MARK_CLEAR_MM, (name, mark)
            for (_, one), (_, other) in itertools.combinations(marks, 2):
                assert apart_mm(one, other) >= MARK_CLEAR_MM
            check_marks_stand_around(tile.box_mm, [mark[:2] for _, mark in marks])
            everything += printed
        for name, shape in everything:
            left, top, right, bottom = bounds(shape)
            clear = min(left, top, sheet.width_mm - right, sheet.height_mm - bottom)
            assert clear >= EDGE_MM - ROUNDED_MM, (name, clear)
        for (one, a), (other, b) in itertools.combinations(everything, 2):
            assert apart_mm(a, b) >= GAP_MM, (one, other)
        for a, b in itertools.combinations([tile.box_mm for tile in sheet.tiles], 2):
            assert apart_mm(a, b) > 0
    check_names(key, recipe)
    return key


def check_marks_stand_around(box: Shape, marks: list[tuple[float, float]]) -> None:
    """Check that marks line all four sides, no further apart than 10 mm: on both sides of a carriage's travel."""
    left, top, right, bottom = bounds(box)
    for axis, low, high, sides in ((1, top, bottom, (left, right)), (0, left, right, (top, bottom))):
        for side in sides:
            along = sorted(mark[axis] for mark in marks if abs(mark[1 - axis] - side) < 2.5)
            assert max(b - a for a, b in itertools.pairwise([low, *along, high])) < 10.0


def check_names(key: Key, recipe: Recipe) -> None:
    elements = [element for sheet in key.sheets for tile in sheet.tiles for element in tile.elements]
    names = [element.id for element in elements]
    assert len(set(names)) == len(names)
    patches = [p.patch for element in elements if isinstance(element, PatchField) for p in element.patches]
    assert len(set(patches)) == len(patches)
    assert {element.kind for element in elements} == set(recipe.only)
    for kind in ("ring-to-white", "ring-to-black"):
        if kind in recipe.only:
            assert sum(element.kind == kind for element in elements) == recipe.hues
    codes = [tile.code for sheet in key.sheets for tile in sheet.tiles]
    assert len(set(codes)) == len(codes)
    for sheet in key.sheets:
        for tile in sheet.tiles:
            assert parse_code(tile.code) == (recipe, sheet.sheet, tile.tile)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(RECIPES)
def test_nothing_overlaps_is_cut_off_or_shares_a_name(recipe: Recipe) -> None:
    try:
        build_key(recipe)
    except WrongUsageError:
        # the only sheets that may have no room: small ones, and those that a small bed cuts into small halves
        halved = min(recipe.sheet_mm) - 2 * EDGE_MM > min(recipe.bed_mm)
        assert min(recipe.sheet_mm) < (2 * SMALLEST_MM if halved else SMALLEST_MM)
        reject()
    check_layout(recipe)


@pytest.mark.parametrize("sheet", SHEETS_MM)
@pytest.mark.parametrize("hues", [1, 2, 5, 8, 13, 36])
def test_usual_sheets_with_few_and_many_hues(sheet: str, hues: int) -> None:
    check_layout(Recipe(sheet=sheet, hues=hues))


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_alone(kind: str) -> None:
    check_layout(Recipe(only=(kind,)))
    check_layout(Recipe(only=(kind,), sheet="100x150"))


def test_the_usual_sheets_have_the_size_of_their_standards() -> None:
    # ISO 216 A4 and A3; ANSI/ASME Y14.1 letter is 8.5 by 11 inches
    assert SHEETS_MM["a4"] == (210.0, 297.0)
    assert SHEETS_MM["a3"] == (297.0, 420.0)
    assert SHEETS_MM["letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))


def test_the_default_chart_is_one_tile_with_all_there_is() -> None:
    (sheet,) = check_layout(Recipe()).sheets
    (tile,) = sheet.tiles
    hues = [element.hue for element in tile.elements if element.kind == "ring-to-white"]
    assert hues == ["red", "orange", "yellow", "green", "cyan", "blue", "violet", "magenta"]


def test_rows_of_discs_that_go_on_in_the_next_tile_stay_inside_their_own() -> None:
    # once overlapped the marks below it: a honeycomb's row counted with its distance to a row of the next tile
    check_layout(Recipe(sheet="474.4x507.8", hues=34, bed_mm=(310.0, 437.0), only=KINDS[:2] + KINDS[3:4] + KINDS[5:]))


# the files

SMALL = Recipe(sheet="120x150", hues=1, only=("ring-to-white", "neutral-wedge"), dpi=300)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    sheet, key = write_chart(SMALL, tmp_path_factory.mktemp("chart"))
    return sheet, key


def test_a_chart_made_twice_has_the_same_bytes(written: tuple[Path, Path], tmp_path: Path) -> None:
    for first, again in zip(written, write_chart(SMALL, tmp_path), strict=True):
        assert first.name == again.name
        assert first.read_bytes() == again.read_bytes()


@pytest.mark.parametrize("space", SPACES)
def test_pillow_reads_size_resolution_and_profile(tmp_path: Path, space: str) -> None:
    recipe = Recipe(sheet="100x120.5", hues=1, only=("hue-sweep",), dpi=240, space=space)
    sheet, _ = write_chart(recipe, tmp_path)
    with Image.open(sheet) as image:
        assert image.size == (round(100 * 240 / 25.4), round(120.5 * 240 / 25.4))
        assert image.info["dpi"] == pytest.approx((240, 240))
        assert image.info["icc_profile"] == icc_profile(space)
        assert image.tag_v2[270] == recipe.text  # TIFF 6.0: ImageDescription
        assert tuple(image.tag_v2[258]) == (16, 16, 16)  # BitsPerSample
        # Pillow has no 16-bit RGB: it keeps the upper bytes
        first = np.asarray(image)
    assert np.abs(first.astype(int) - (tifffile.imread(sheet) >> 8).astype(int)).max() <= 1


def test_tifffile_reads_what_was_drawn(written: tuple[Path, Path]) -> None:
    sheet = build_key(SMALL).sheets[0]
    pixels = tifffile.imread(written[0])
    _, height = sheet_size_px(sheet, SMALL.dpi)
    assert pixels.dtype == np.uint16
    np.testing.assert_array_equal(pixels, render_rows(sheet, SMALL, SMALL.dpi, 0, height))
    # and rows drawn one strip at a time are those of the whole
    strips = [render_rows(sheet, SMALL, SMALL.dpi, row, min(row + 97, height)) for row in range(0, height, 97)]
    np.testing.assert_array_equal(pixels, np.concatenate(strips))


def test_the_key_survives_its_file(written: tuple[Path, Path]) -> None:
    assert read_key(written[1]) == build_key(SMALL)


def test_everything_outside_the_elements_marks_code_and_caption_is_paper(written: tuple[Path, Path]) -> None:
    pixels = tifffile.imread(written[0])
    tile = build_key(SMALL).sheets[0].tiles[0]
    scale = SMALL.dpi / 25.4
    y, x = (np.indices(pixels.shape[:2]) + 0.5) / scale
    free = np.ones(x.shape, bool)
    shapes = [shape_of(element) for element in tile.elements] + [tile.code_box_mm, tile.caption_box_mm]
    shapes += [(*mark, tile.mark_radius_mm, DISC) for mark in tile.marks_mm]
    for shape in shapes:
        left, top, right, bottom = bounds(shape)
        if shape[3] == DISC:
            free &= np.hypot(x - shape[0], y - shape[1]) > shape[2] + 1 / scale
        else:
            free &= (x < left - 1 / scale) | (x > right + 1 / scale) | (y < top - 1 / scale) | (y > bottom + 1 / scale)
    assert free.mean() > 0.3
    assert (pixels[free] == 65535).all()


# what is on it


@pytest.mark.parametrize("recipe", [Recipe(dpi=200), Recipe(sheet="a3plus", hues=24, dpi=150)], ids=lambda r: r.sheet)
def test_every_code_can_be_read(recipe: Recipe) -> None:
    for sheet in build_key(recipe).sheets:
        pixels = render_rows(sheet, recipe, recipe.dpi, 0, sheet_size_px(sheet, recipe.dpi)[1])
        grey = (pixels[..., 1] >> 8).astype(np.uint8)
        read = {code.text for code in zxingcpp.read_barcodes(grey, formats=zxingcpp.BarcodeFormat.QRCode)}
        assert read == {tile.code for tile in sheet.tiles}


@pytest.mark.parametrize(
    "recipe",
    [Recipe(), Recipe(sheet="1234.5x987.6", space="display-p3", path="straight", hues=36, dpi=1440, only=KINDS[:5])],
    ids=["shortest", "longest"],
)
def test_a_second_reader_of_codes_agrees(recipe: Recipe) -> None:
    """The modules as drawn, read by the standard alone (tests/qr_reader.py)."""
    for sheet in build_key(recipe).sheets:
        for tile in sheet.tiles:
            x, y, side, _ = (value * 300 / 25.4 for value in tile.code_box_mm)
            rows = render_rows(sheet, recipe, 300, int(y), math.ceil(y + side))[..., 1]
            count = len(code_modules(tile.code))
            middles = (np.arange(count) + 0.5) * side / count
            dark = rows[(middles + y - int(y)).astype(int)][:, (middles + x).astype(int)] < 32768
            assert read_modules(dark) == tile.code


def ink_of(sheet: Sheet, recipe: Recipe, dpi: int, box_mm: Shape) -> tuple[np.ndarray, float, float]:
    """Return how much darker than paper each pixel of a box is, in linear light, and its left and top in px."""
    scale = dpi / 25.4
    left, top, right, bottom = (round(value * scale) for value in bounds(box_mm))
    pixels = render_rows(sheet, recipe, dpi, top, bottom)[:, left:right]
    return 1.0 - decode(recipe.space, pixels[..., 1] / 65535.0), left, top


@pytest.mark.parametrize("dpi", [150, 300, 333, 600, 1200])
def test_marks_have_the_area_and_the_centre_of_a_circle(dpi: int) -> None:
    """Area pi r², centre of mass at the centre: for every mark, wherever it lies between pixels."""
    sheet = build_key(SMALL).sheets[0]
    tile = sheet.tiles[0]
    r, scale = tile.mark_radius_mm, dpi / 25.4
    for x, y in tile.marks_mm[::3]:
        cover, left, top = ink_of(sheet, SMALL, dpi, (x - r - 0.4, y - r - 0.4, 2 * r + 0.8, 2 * r + 0.8))
        rows, columns = np.indices(cover.shape) + 0.5
        assert cover.sum() / scale**2 == pytest.approx(math.pi * r * r, rel=2e-3)
        assert (cover * (columns + left)).sum() / cover.sum() == pytest.approx(x * scale, abs=0.01)
        assert (cover * (rows + top)).sum() / cover.sum() == pytest.approx(y * scale, abs=0.01)


BLACK_HUB = Recipe(sheet="100x130", hues=3, only=("ring-to-black",), dpi=300)


@pytest.mark.parametrize("dpi", [150, 300, 333, 720])
def test_discs_have_the_area_the_radius_and_the_centre_of_a_circle(dpi: int) -> None:
    """Of a red disc the green channel is ink all over: its covered area is pi R², its second moment R²/4 per axis."""
    sheet = build_key(BLACK_HUB).sheets[0]
    (red, *_) = sheet.tiles[0].elements
    assert isinstance(red, Ring)
    assert red.rim_rgb == (1.0, 0.0, 0.0)
    (x, y), r, scale = red.centre_mm, red.radius_mm, dpi / 25.4
    cover, left, top = ink_of(sheet, BLACK_HUB, dpi, (x - r - 0.5, y - r - 0.5, 2 * r + 1, 2 * r + 1))
    rows, columns = np.indices(cover.shape) + 0.5
    across, down = columns + left - x * scale, rows + top - y * scale
    cover[np.hypot(across, down) > (r + 0.3) * scale] = 0.0  # the marks beside it
    area = cover.sum()
    assert area / scale**2 == pytest.approx(math.pi * r * r, rel=5e-4)
    assert (cover * across).sum() / area == pytest.approx(0.0, abs=0.01)
    assert (cover * down).sum() / area == pytest.approx(0.0, abs=0.01)
    assert (cover * across**2).sum() / area == pytest.approx((r * scale) ** 2 / 4, rel=1e-3)
    # along the row through the centre, ink adds up to the chord
    row = int(y * scale - top)
    chord = 2 * math.sqrt((r * scale) ** 2 - down[row, 0] ** 2)
    assert cover[row].sum() == pytest.approx(chord, abs=0.02)


def test_colours_run_from_hub_to_rim_and_stay_there() -> None:
    sheet = build_key(BLACK_HUB).sheets[0]
    scale = BLACK_HUB.dpi / 25.4
    for ring in sheet.tiles[0].elements:
        assert isinstance(ring, Ring)
        (x, y), row = ring.centre_mm, int(ring.centre_mm[1] * scale)
        line = render_rows(sheet, BLACK_HUB, BLACK_HUB.dpi, row, row + 1)[0] / 65535.0
        radius = np.hypot((np.arange(len(line)) + 0.5) / scale - x, (row + 0.5) / scale - y)
        hub = line[radius < ring.ramp_mm[0] - 0.1]
        rim = line[(radius > ring.ramp_mm[1] + 0.1) & (radius < ring.radius_mm - 0.1)]
        assert (hub == np.array(ring.hub_rgb)).all()
        assert np.abs(rim - np.array(ring.rim_rgb)).max() < 1e-4

"""The printer of ink dots against its own average, Demichel's equations, spectra of blue noise and plain area means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.key import FlatField, NeutralWedge, Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import (
    Bump,
    Cast,
    HeldStretch,
    HueShift,
    LostStep,
    PrintOptions,
    ScanOptions,
    Screen,
    Step,
    Truth,
    inkjet,
    rehearse_array,
)
from inkstrain.targets.rehearsal.dotpage import DotPage, Drops
from inkstrain.targets.rehearsal.inkjet import VirtualInkjet
from inkstrain.targets.rehearsal.inks import InkSet, covers_xyz, overprints_xyz
from inkstrain.targets.rehearsal.screens import LEVELS, DropScatter, blue_noise, drops_for, lay_drops, screen_sizes
from inkstrain.targets.spaces import decode, rgb_to_xyz_matrix

PATCH_DE00 = 0.1
EXPOSURE = 0.9
QUIET = ScanOptions(dpi=300, noise=0, shot_noise=0, blur_mm=0, exposure=EXPOSURE, space="prophoto", margin_mm=0)
FLAT = Recipe(sheet="100x100", only=("flat-field",))
DISC = Recipe(sheet="120x120", only=("ring-to-black",), hues=1)
(RING,) = (e for e in build_key(DISC).sheets[0].tiles[0].elements if isinstance(e, Ring))


def relative_xyz(image: NDArray[np.uint16], printer: VirtualInkjet) -> NDArray[np.float64]:
    """Return XYZ relative to paper of a scan's pixels."""
    light = decode(QUIET.space, image / 65535.0) / EXPOSURE
    return np.asarray(light @ rgb_to_xyz_matrix(QUIET.space).T / np.asarray(printer.paper_xyz) * WHITE_D50)


def box_of(image: NDArray[np.uint16], truth: Truth, box_mm: tuple[float, ...]) -> NDArray[np.uint16]:
    """Return the pixels of a box of the chart, less its edges."""
    x, y, w, h = box_mm
    corners = truth.geometry.scan_px_of_chart_mm([(x + 0.4, y + 0.4), (x + w - 0.4, y + h - 0.4)])
    (x0, y0), (x1, y1) = np.rint(corners).astype(int)
    return image[y0:y1, x0:x1]


@pytest.mark.parametrize("size", screen_sizes(7))
def test_screens_hold_every_threshold_once_and_are_blue(size: int) -> None:
    """A tenth of white noise's power below a tenth of a cycle a cell (Ulichney 1988: blue noise has next to none)."""
    screen = blue_noise(size)
    assert len(np.unique(screen)) == size * size
    radius = np.hypot(*np.meshgrid(np.fft.fftfreq(size), np.fft.fftfreq(size)))
    for share in (0.1, 0.25, 0.5, 0.8):
        drops = screen < share * LEVELS
        assert drops.mean() == pytest.approx(share, abs=1 / size**2)
        power = np.abs(np.fft.fft2(drops)) ** 2 / size**2
        assert power[(radius > 0) & (radius < 0.1)].mean() < 0.1 * share * (1 - share)


def test_two_screens_meet_as_chance_would_have_it() -> None:
    """Chinese remainder theorem: over a common period covers multiply, exactly."""
    one, other = blue_noise(59) < 0.3 * LEVELS, blue_noise(61) < 0.6 * LEVELS
    place = np.arange(59 * 61)
    rows = one[place % 59][:, place % 59][:600], other[place % 61][:, place % 61][:600]
    # 600 rows of a period of 3599; each row is a whole period across
    expected = sum(one[y % 59].mean() * other[y % 61].mean() for y in range(600)) / 600
    assert (rows[0] & rows[1]).mean() == pytest.approx(expected, abs=1e-12)
    assert expected == pytest.approx(one.mean() * other.mean(), abs=2e-3)


def test_overprints_are_the_solids_and_demichel_weighs_them() -> None:
    inks = InkSet(light=(0.3, 0.3, 0.3), yule_nielsen=1.0)
    every = np.array([[(i >> bit) & 1 for bit in range(7)] for i in range(128)], dtype=np.float64)
    assert covers_xyz(inks, every) == pytest.approx(overprints_xyz(inks))
    covers = np.array([0.2, 0.5, 0.1, 0.7, 0.3, 0.9, 0.4])
    weights = np.prod(np.where(every == 1, covers, 1 - covers), axis=1)
    assert covers_xyz(inks, covers[None])[0] == pytest.approx(weights @ overprints_xyz(inks))


@pytest.mark.parametrize("cover", [0.02, 0.1, 0.3, 0.6, 0.9])
def test_drops_cover_what_they_are_asked_to(cover: float) -> None:
    """On a screen and scatter of another draw than the one that the amounts were found with."""
    screen = Screen(head_smooth=0.0, head_random=0.0)
    amount = drops_for(screen, np.full((1, 2), cover))[0, 1]
    wanted = np.tile(blue_noise(screen_sizes(2)[1]) < amount, (6, 6))
    scatter = DropScatter.draw(screen, np.random.default_rng(77))
    middle = len(scatter.across) // 2
    place = np.random.default_rng(78).integers(0, scatter.across.shape[1], wanted.shape)
    page = np.zeros((2 * len(wanted) + 8, 2 * len(wanted) + 8), dtype=np.uint8)
    lay_drops(page, wanted, scatter.across[middle][place], scatter.down[middle][place], 3)
    assert set(np.unique(page)) == {0, 8}
    assert (page[8:-8, 8:-8] > 0).mean() == pytest.approx(cover, abs=0.002)


@pytest.mark.parametrize("scatter_um", [0.0, 6.0, 10.0])
def test_drops_scatter_as_stated(scatter_um: float) -> None:
    """Middles of drops: on the grid of half cells, whose rounding adds up to a twelfth (Sheppard's correction)."""
    screen = Screen(scatter_um=scatter_um)
    scatter = DropScatter.draw(screen, np.random.default_rng(5))
    middle = scatter.across.shape[0] // 2
    bits = (scatter.across[middle][:, None] >> np.arange(8)) & 1
    assert (bits.sum(axis=1) == 3).all()
    place_um = (bits @ np.arange(8) / 3 - 3.5) * 25400 / 720 / 2
    half_cell = 25400 / 720 / 2
    # a drop three half cells wide stands half of one to either side of its cell's middle
    expected = np.sqrt(scatter_um**2 + (half_cell / 2) ** 2)
    assert place_um.mean() == pytest.approx(0.0, abs=0.3)
    assert place_um.std() == pytest.approx(expected, rel=0.12)


COLOURS = {
    "light grey": (0.8, 0.8, 0.8),
    "dark grey": (0.25, 0.25, 0.25),
    "blue": (0.2, 0.3, 0.7),
    "skin": (0.8, 0.6, 0.5),
}


@pytest.mark.parametrize("colour", list(COLOURS))
@pytest.mark.parametrize("name", ["hazel", "thistle"])
def test_a_large_flat_patch_averages_to_what_truth_expects(name: str, colour: str) -> None:
    """Three million cells: twice the head's length, and in x the common period of the first two screens."""
    printer = inkjet(name)
    assert printer.screen is not None
    covers = printer.covers("adobe-rgb", np.array([COLOURS[colour]]))
    height, width = 1440, 61 * 67
    paper = np.zeros_like(covers)
    drops = Drops(printer.screen, drops_for(printer.screen, np.concatenate([paper, covers])), 11, (height, width))
    page = np.zeros((2 * height + 8, 2 * width + 8), dtype=np.uint8)
    for row in range(0, height, 32):
        drops.lay(page[2 * row :], np.ones((32, width), dtype=np.int32), row, 0)
    shares = np.bincount(page[8:-8, 8:-8].ravel(), minlength=128) / page[8:-8, 8:-8].size
    overprints = overprints_xyz(printer.inks)
    mean = xyz_to_lab(shares[: len(overprints)] @ overprints)
    expected = xyz_to_lab(printer.print_xyz("adobe-rgb", COLOURS[colour]))
    assert np.count_nonzero(shares) > 3  # there are dots
    assert delta_e00(mean, expected) < PATCH_DE00


@pytest.mark.parametrize("name", ["hazel", "thistle"])
def test_flat_fields_of_a_scan_are_the_colours_expected(name: str) -> None:
    """A field of 340 mm² is shorter than the head, whose unevenness stays in its mean."""
    printer = inkjet(name)
    image, truth = rehearse_array(FLAT, printer=printer, scan_options=QUIET, seed=11)
    for field in (e for e in build_key(FLAT).sheets[0].tiles[0].elements if isinstance(e, FlatField)):
        pixels = relative_xyz(box_of(image, truth, field.box_mm), printer)
        expected = printer.print_xyz(FLAT.space, field.rgb)
        assert pixels[..., 1].std() > 0.01 * expected[1]
        assert delta_e00(xyz_to_lab(pixels.mean(axis=(0, 1))), xyz_to_lab(expected)) < 0.7, field.id


def test_a_seed_repeats_and_two_differ() -> None:
    options = QUIET.model_copy(update={"crop_mm": (*np.subtract(RING.centre_mm, 4.0).tolist(), 8.0, 8.0)})
    one, again, other = (
        rehearse_array(DISC, printer=inkjet("thistle"), scan_options=options, seed=seed)[0] for seed in (3, 3, 4)
    )
    assert np.array_equal(one, again)
    assert np.mean(one != other) > 0.5


def test_a_crop_shows_the_same_dots() -> None:
    box = (*np.subtract(RING.centre_mm, 8.0).tolist(), 25.4 / 300 * 190, 25.4 / 300 * 190)
    inner = (box[0] + 25.4 / 300 * 40, box[1] + 25.4 / 300 * 60, 25.4 / 300 * 60, 25.4 / 300 * 50)
    large, small = (
        rehearse_array(DISC, printer=inkjet("hazel"), scan_options=QUIET.model_copy(update={"crop_mm": b}), seed=3)[0]
        for b in (box, inner)
    )
    assert np.abs(large[60:110, 40:100].astype(int) - small.astype(int)).max() <= 2


def even(printer: VirtualInkjet) -> VirtualInkjet:
    """Return a printer with an even head."""
    assert printer.screen is not None
    return replace(printer, screen=replace(printer.screen, head_smooth=0.0, head_random=0.0))


DAMAGES = {
    "plain": (),
    "inks": (Step(RING.id, 9.0, 4.0), HeldStretch(RING.id, 6.0, 7.5)),
    "colour": (Bump(RING.id, 8.0, 1.0, 3.0), HueShift(RING.id, 13.0, 2.0, 15.0)),
}


@pytest.mark.parametrize("damages", list(DAMAGES))
@pytest.mark.parametrize("name", ["hazel", "thistle"])
def test_a_disc_averages_to_its_true_course(name: str, damages: str) -> None:
    printer = even(inkjet(name))
    reach = RING.radius_mm - 0.5
    options = QUIET.model_copy(update={"crop_mm": (*np.subtract(RING.centre_mm, reach).tolist(), 2 * reach, 2 * reach)})
    image, truth = rehearse_array(DISC, printer=printer, damages=DAMAGES[damages], scan_options=options, seed=21)
    (course,) = truth.rings
    rows, columns = np.mgrid[: image.shape[0], : image.shape[1]] + 0.5
    away = truth.geometry.chart_mm_of_scan_px(np.stack([columns, rows], axis=-1)) - np.array(RING.centre_mm)
    radius = np.hypot(away[..., 0], away[..., 1])
    xyz = relative_xyz(image, printer)
    expected = lab_to_xyz(np.array(course.lab))
    misses = []
    for inner in np.arange(3.0, RING.radius_mm - 2.5):
        seen = (radius > inner) & (radius < inner + 1.0)
        # truth at the same pixels
        place = np.interp(radius[seen], course.radius_mm, np.arange(len(expected)))
        wanted = xyz_to_lab(expected[np.rint(place).astype(int)].mean(axis=0))
        misses.append(xyz_to_lab(xyz[seen].mean(axis=0)) - wanted)
        # 20 mm² or more of dots
        assert delta_e00(wanted + misses[-1], wanted) < 1.0, inner
    assert np.abs(np.mean(misses, axis=0)).max() < 0.15


@pytest.mark.parametrize("dpi", [300, 600, 1200])
def test_a_pixel_is_the_mean_of_the_dots_it_covers(dpi: int) -> None:
    """Against a plain mean of a raster enlarged 16 times."""
    rng = np.random.default_rng(dpi)
    fine = 16
    inks = rng.integers(0, 4, (60, 60)).astype(np.uint8)
    colours = rng.random((4, 3)).astype(np.float32)
    half_cell = 25.4 / 1440
    side = round(25.4 / dpi / half_cell * fine)
    pixel = side * half_cell / fine
    page = DotPage(
        inks=inks, first_mm=(2.0, 3.0), half_cell_mm=half_cell, overprints=colours, matrix=np.eye(3, dtype=np.float32),
        tints=(), pixel_mm=pixel, bleed_mm=0.0,
    )  # fmt: skip
    enlarged = colours[np.kron(inks, np.ones((fine, fine), dtype=np.uint8))]
    starts = rng.integers(0, 60 * fine - side, (2, 12))
    x, y = (2.0, 3.0)[0] + (starts[0] + side / 2) / fine * half_cell, 3.0 + (starts[1] + side / 2) / fine * half_cell
    out = np.empty((3, 1, 12), dtype=np.float32)
    page.fill(out, x[None].astype(np.float32), y[None].astype(np.float32))
    for i in range(12):
        window = enlarged[starts[1, i] : starts[1, i] + side, starts[0, i] : starts[0, i] + side]
        # places are single precision
        assert out[:, 0, i] == pytest.approx(window.mean(axis=(0, 1)), abs=2e-4)


def test_turned_scans_show_the_same_print() -> None:
    """The mean of a disc is the same at any rotation, and dots keep their contrast."""
    printer = inkjet("thistle")
    means, spreads = [], []
    for rotation in (0.0, 33.0, 90.0):
        options = QUIET.model_copy(
            update={"rotation_deg": rotation, "crop_mm": (*np.subtract(RING.centre_mm, 9.0).tolist(), 18.0, 18.0)}
        )
        image, truth = rehearse_array(DISC, printer=printer, scan_options=options, seed=2)
        rows, columns = np.mgrid[: image.shape[0], : image.shape[1]] + 0.5
        away = truth.geometry.chart_mm_of_scan_px(np.stack([columns, rows], axis=-1)) - np.array(RING.centre_mm)
        radius = np.hypot(away[..., 0], away[..., 1])
        y = relative_xyz(image, printer)[..., 1]
        means.append(y[radius < 8.5].mean())
        spreads.append(y[(radius > 8.0) & (radius < 8.5)].std())
    assert means[1:] == pytest.approx([means[0]] * 2, rel=2e-3)
    assert spreads[1:] == pytest.approx([spreads[0]] * 2, rel=0.1)


def test_a_wedge_of_dots_has_its_damage() -> None:
    recipe = Recipe(sheet="150x150", only=("neutral-wedge",))
    (wedge,) = (e for e in build_key(recipe).sheets[0].tiles[0].elements if isinstance(e, NeutralWedge))
    damages = (LostStep(wedge.id, 15), Cast(wedge.id, 4.0, -3.0))
    printer = even(inkjet("hazel"))
    image, truth = rehearse_array(recipe, printer=printer, damages=damages, scan_options=QUIET, seed=6)
    labs = {step.step: step.lab for step in truth.wedges[0].steps}
    assert labs[15] == labs[14]
    for step in wedge.steps[5:-1:3]:
        mean = relative_xyz(box_of(image, truth, step.box_mm), printer).mean(axis=(0, 1))
        # a step is some 30 mm² of dots; a cast left out would be 3 to 5
        assert delta_e00(xyz_to_lab(mean), labs[step.step]) < 0.6, step.step


def test_texture_shows_on_dots_and_bare_paper_alike() -> None:
    options = QUIET.model_copy(update={"crop_mm": (1.0, 1.0, 60.0, 5.0)})
    plain, textured = (
        rehearse_array(FLAT, printer=inkjet("hazel"), print_options=p, scan_options=options, seed=1)[0]
        for p in (PrintOptions(), PrintOptions(grain=0.02, grain_correlation_mm=0.1))
    )
    assert np.ptp(plain, axis=(0, 1)).max() <= 1
    light = decode(QUIET.space, textured[..., 1] / 65535.0)
    # a pixel of 0.085 mm averages clumps of sigma 0.1 mm by less than a tenth
    assert light.std() / light.mean() == pytest.approx(0.02, rel=0.12)


def test_a_printer_of_dots_has_a_raster_of_its_own_and_light_that_adds_up() -> None:
    with pytest.raises(WrongUsageError, match="raster_dpi"):
        rehearse_array(DISC, printer=inkjet("hazel"), print_options=PrintOptions(raster_dpi=360), scan_options=QUIET)
    with pytest.raises(WrongUsageError, match="yule_nielsen"):
        VirtualInkjet(name="none", screen=Screen())

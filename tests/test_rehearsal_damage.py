"""Damage on rings, sweeps and wedges: what truth says against the printed colours themselves."""

from __future__ import annotations

import numpy as np
import pytest

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, hue_deg_ipt, xyz_to_lab
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import (
    DAMAGE_HELP,
    Cast,
    Damage,
    DamageRanges,
    DropOff,
    EarlyHub,
    HeldStretch,
    HueShift,
    IdentityPrinter,
    LightnessReversal,
    LightnessWave,
    LostStep,
    MergedHues,
    PrintOptions,
    ReversedStep,
    RingPath,
    ScanOptions,
    Step,
    Truth,
    draw_damage,
    inkjet,
    parse_damage,
    rehearse_array,
    ring_path,
)
from inkstrain.targets.rehearsal.ringtruth import ring_truth
from inkstrain.targets.spaces import decode, rgb_to_xyz, rgb_to_xyz_matrix

RECIPE = Recipe()
SHEET = build_key(RECIPE).sheets[0]
ELEMENTS = {e.id: e for tile in SHEET.tiles for e in tile.elements}
ID = "ring-to-black-green"
RING = ELEMENTS[ID]
PRINTER = IdentityPrinter()
CELL_MM = 0.001
LAB = 0.02


def path_of(*damages: Damage) -> RingPath:
    return ring_path(RING, RECIPE, PRINTER, damages)


def truth_of(*damages: Damage):  # type: ignore[no-untyped-def]
    return ring_truth(path_of(*damages), list(enumerate(damages)))


def lab_at(path: RingPath, radius_mm: float) -> np.ndarray:
    return path.lab[int(radius_mm / CELL_MM)]


def test_an_undamaged_even_ring_has_full_reach_and_evenness_and_nothing_to_find() -> None:
    truth = truth_of()
    assert truth.reach == pytest.approx(1.0, abs=1e-3)
    assert truth.evenness == pytest.approx(1.0, abs=1e-3)
    start, end = RING.ramp_mm
    thirds = [start + (end - start) * part for part in (0.1, 0.5, 0.9)]
    assert truth.fall_off_mm == pytest.approx(thirds, abs=0.01)
    assert [*truth.contours, *truth.flat_bands, *truth.other_contours, *truth.other_flat_bands] == []


def test_a_held_stretch_is_one_colour_then_a_hard_step_back_to_the_path() -> None:
    damage = HeldStretch(ID, 8.0, 9.5)
    path, truth = path_of(damage), truth_of(damage)
    assert delta_e00(lab_at(path, 8.001), lab_at(path, 9.499)) == pytest.approx(0.0, abs=1e-6)
    assert delta_e00(lab_at(path, 9.501), path.undamaged_lab[9501]) == pytest.approx(0.0, abs=LAB)
    (flat,), (contour,) = truth.flat_bands, truth.contours
    assert (flat.inner_mm, flat.outer_mm, flat.width_mm) == (8.0, 9.5, 1.5)
    # an even path loses its length in proportion to the width
    whole = np.sum(delta_e00(path.intended_lab[3000:-2000][:-1], path.intended_lab[3000:-2000][1:]))
    assert flat.lost_de00 == pytest.approx(whole * 1.5 / (RING.ramp_mm[1] - RING.ramp_mm[0]), rel=0.01)
    assert contour.radius_mm == 9.5
    assert contour.contrast_de00 == pytest.approx(float(delta_e00(lab_at(path, 8.0), lab_at(path, 9.502))), abs=0.05)


def test_held_at_the_outer_end_steps_at_the_inner_one() -> None:
    truth = truth_of(HeldStretch(ID, 8.0, 9.5, "outer"))
    assert truth.contours[0].radius_mm == 8.0


@pytest.mark.parametrize("wanted", [1.0, 3.0, 12.0])
def test_a_step_has_its_contrast_at_its_radius_and_reach_stays(wanted: float) -> None:
    damage = Step(ID, 9.0, wanted)
    path, truth = path_of(damage), truth_of(damage)
    assert truth.contours[0].contrast_de00 == pytest.approx(wanted, abs=0.02)
    assert delta_e00(lab_at(path, 8.9995), lab_at(path, 9.0005)) == pytest.approx(wanted, abs=0.02)
    # the contrast of a wide jump is a little less than the path it skips
    assert truth.reach == pytest.approx(1.0, abs=0.02)
    assert path.lab[-1] == pytest.approx(path.undamaged_lab[-1])


def test_a_drop_off_runs_as_many_times_as_fast() -> None:
    path = path_of(DropOff(ID, 7.0, 7.5, times=5.0))
    assert path.position_mm[7500] - path.position_mm[7000] == pytest.approx(2.5, abs=0.01)
    assert path.position_mm[-2100] == pytest.approx(path.radius_mm[-2100], abs=0.2)


def test_a_drop_off_meets_its_contrast() -> None:
    damage = DropOff(ID, 7.0, 7.5, contrast_de00=8.0)
    assert delta_e00(lab_at(path_of(damage), 7.0), lab_at(path_of(damage), 7.5)) == pytest.approx(8.0, abs=0.05)
    assert truth_of(damage).contours[0].radius_mm == pytest.approx(7.25, abs=0.02)


@pytest.mark.parametrize(("shape", "degrees"), [("smooth", 15.0), ("box", -8.0)])
def test_a_hue_shift_turns_hue_and_keeps_the_rest(shape: str, degrees: float) -> None:
    damage = HueShift(ID, 10.0, 2.0, degrees, shape)  # type: ignore[arg-type]
    path = path_of(damage)
    turn = (hue_deg_ipt(path.lab) - hue_deg_ipt(path.undamaged_lab) + 180) % 360 - 180
    assert turn[10000] == pytest.approx(degrees, abs=0.01)
    assert turn[9000] == pytest.approx(degrees / 2, abs=0.05)
    assert turn[11000] == pytest.approx(degrees / 2, abs=0.05)
    assert truth_of(damage).hue_swings[0].degrees == pytest.approx(degrees, abs=0.01)


def test_a_reversal_has_its_depth() -> None:
    damage = LightnessReversal(ID, 8.0, 9.0, 2.0)
    path = path_of(damage)
    assert lab_at(path, 8.0)[0] - lab_at(path, 8.9995)[0] == pytest.approx(2.0, abs=0.02)
    assert truth_of(damage).reversals[0].depth_l == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize(("then", "contours"), [("step", 1), ("spaced", 0)])
def test_an_early_hub_makes_a_core(then: str, contours: int) -> None:
    truth = truth_of(EarlyHub(ID, 5.0, then))  # type: ignore[arg-type]
    plain = truth_of()
    expected = 2.0 if then == "step" else 2.0 + plain.core_mm * (RING.ramp_mm[1] - 5.0) / (RING.ramp_mm[1] - 3.0)
    assert truth.core_mm == pytest.approx(expected, abs=0.01)
    assert len(truth.contours) == contours


def test_a_wave_moves_lightness_only() -> None:
    path = path_of(LightnessWave(ID, 1.0, 2.0))
    change = path.lab - path.undamaged_lab
    assert np.abs(change[:, 1:]).max() == 0.0
    middle = slice(6000, 14000)
    assert change[middle, 0].max() == pytest.approx(1.0, abs=1e-3)
    assert change[middle, 0].min() == pytest.approx(-1.0, abs=1e-3)


def test_several_damages_on_one_ring_keep_their_places() -> None:
    truth = truth_of(HeldStretch(ID, 5.0, 6.0), Step(ID, 9.0, 3.0), DropOff(ID, 12.0, 12.3, contrast_de00=5.0))
    assert [c.radius_mm for c in truth.contours] == pytest.approx([6.0, 9.0, 12.15], abs=0.01)
    assert [c.contrast_de00 for c in truth.contours[1:]] == pytest.approx([3.0, 5.0], abs=0.05)


def test_overlapping_damage_is_refused() -> None:
    with pytest.raises(WrongUsageError, match="overlaps"):
        path_of(HeldStretch(ID, 5.0, 7.0), Step(ID, 6.0, 3.0))
    with pytest.raises(WrongUsageError, match="leaves"):
        path_of(HeldStretch(ID, 2.0, 4.0))


SMALL = Recipe(sheet="150x150", only=("hue-sweep", "neutral-wedge"))
SWEEP, WEDGE = (e for tile in build_key(SMALL).sheets[0].tiles for e in tile.elements)
EXPOSURE = 0.9  # a cast on near-white would clip at 1
CLEAN = ScanOptions(dpi=200, noise=0, shot_noise=0, blur_mm=0, exposure=EXPOSURE)


def scanned_lab(box: tuple[float, ...], image: np.ndarray, truth: Truth) -> np.ndarray:
    """Return the mean colour of a box's middle, averaged in linear light."""
    x, y, w, h = box
    corners = truth.geometry.scan_px_of_chart_mm([(x + w * 0.3, y + h * 0.3), (x + w * 0.7, y + h * 0.7)])
    (x0, y0), (x1, y1) = np.rint(corners).astype(int)
    space = truth.scan_options.space
    mean = decode(space, image[y0:y1, x0:x1] / 65535.0).mean(axis=(0, 1)) / EXPOSURE
    return xyz_to_lab(rgb_to_xyz_matrix(space) @ mean)


def test_wedge_steps_come_out_as_truth_says() -> None:
    damages = [LostStep("neutral-wedge", 15), ReversedStep("neutral-wedge", 20), Cast("neutral-wedge", 3.0, -2.0)]
    image, truth = rehearse_array(SMALL, damages=damages, scan_options=CLEAN)
    (wedge,) = truth.wedges
    for step, told in zip(WEDGE.steps, wedge.steps, strict=True):
        seen = scanned_lab(step.box_mm, image, truth)
        # a cast on a near-black cannot be told by a scanner that cannot go below zero
        if told.lab[0] > 6:
            assert seen == pytest.approx(told.lab, abs=0.05)
    by_step = {step.step: step for step in wedge.steps}
    assert by_step[15].lab == pytest.approx(by_step[14].lab)
    assert by_step[20].lab[0] < by_step[19].lab[0]
    assert by_step[len(wedge.steps)].lab == pytest.approx((100.0, 0.0, 0.0), abs=0.01)


def test_merged_hues_are_one_colour_up_to_their_end() -> None:
    image, truth = rehearse_array(SMALL, damages=[MergedHues("hue-sweep", 200.0, 240.0)], scan_options=CLEAN)
    (merged,) = truth.sweeps[0].merged
    band = SWEEP.rows[0].box_mm
    y = band[1] + band[3] / 2
    inside = truth.geometry.scan_px_of_chart_mm([(merged.from_mm + 0.3, y), (merged.to_mm - 0.3, y)])
    beyond = truth.geometry.scan_px_of_chart_mm((merged.to_mm + 0.3, y))
    (x0, row), (x1, _) = inside.astype(int)
    stretch = image[int(row), x0:x1].astype(int)
    assert np.ptp(stretch, axis=0).max() <= 2
    assert np.abs(image[int(beyond[1]), int(beyond[0])].astype(int) - stretch[0]).max() > 1000
    assert merged.step_de00 > 20


def test_damage_to_the_wrong_element_says_what_there_is() -> None:
    with pytest.raises(WrongUsageError, match="ring-to-white-red"):
        rehearse_array(RECIPE, damages=[Step("hue-sweep", 9.0, 2.0)])
    with pytest.raises(WrongUsageError, match="use 2 to"):
        rehearse_array(SMALL, damages=[LostStep("neutral-wedge", 1)])


def test_every_damage_in_the_help_text_can_be_typed() -> None:
    for line in DAMAGE_HELP.splitlines():
        damage = parse_damage(line.rsplit("e.g. ", 1)[1])
        assert damage.kind == line.split(":", 1)[0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("bend:ring-to-black-blue:1:2", "Unknown damage 'bend'"),
        ("held:ring-to-black-blue:8", "not complete"),
        ("held:ring-to-black-blue:9:8", "inner_mm 9 must be below outer_mm 8"),
        ("step:ring-to-black-blue:eight:2", "a number is not one"),
        ("step:ring-to-black-blue:8:-2", "contrast_de00 is -2"),
        ("hue:ring-to-black-blue:8:2:5:round", "smooth"),
    ],
)
def test_a_wrongly_typed_damage_is_explained(text: str, message: str) -> None:
    with pytest.raises(WrongUsageError, match=message):
        parse_damage(text)


def test_drawn_damage_can_be_printed_and_keeps_its_distance() -> None:
    ranges = DamageRanges(per_ring=(1, 3), clean=0.1)
    kinds = set()
    for seed in range(3):
        damages = draw_damage(np.random.default_rng(seed), SHEET, RECIPE, PRINTER, ranges)
        kinds |= {damage.kind for damage in damages}
        for ring in (ELEMENTS[i] for i in list(ELEMENTS) if i.startswith("ring")):
            mine = [d for d in damages if d.element == ring.id]
            path = ring_path(ring, RECIPE, PRINTER, mine)
            for contour in ring_truth(path, list(enumerate(mine))).contours:
                assert ring.ramp_mm[0] + 0.5 < contour.radius_mm < ring.ramp_mm[1] - 1.4
    assert kinds == {
        "held", "dropoff", "step", "hue", "reversal", "earlyhub", "wave", "merged", "lost", "reversed", "cast",
    }  # fmt: skip


def test_drawing_is_seeded() -> None:
    first, again, other = (draw_damage(np.random.default_rng(seed), SHEET, RECIPE) for seed in (5, 5, 6))
    assert first == again != other


def test_truth_survives_json() -> None:
    recipe = Recipe(sheet="120x120", only=("ring-to-black",), hues=1)
    damages = [Step("ring-to-black-red", 9.0, 2.0), HueShift("ring-to-black-red", 12.0, 1.0, 9.0)]
    options = ScanOptions(dpi=50)
    _, truth = rehearse_array(recipe, damages=damages, print_options=PrintOptions(grain=0.02), scan_options=options)
    assert Truth.model_validate_json(truth.model_dump_json()) == truth


def test_a_ring_in_the_scan_has_its_table_s_colours() -> None:
    image, truth = rehearse_array(
        RECIPE, printer=inkjet("alder", "perceptual"),
        scan_options=CLEAN.model_copy(update={"crop_mm": (*np.subtract(RING.centre_mm, 12.0), 24.0, 24.0)}),
    )  # fmt: skip
    path = ring_path(RING, RECIPE, inkjet("alder", "perceptual"))
    rows, columns = np.mgrid[0 : image.shape[0], 0 : image.shape[1]] + 0.5
    away = truth.geometry.chart_mm_of_scan_px(np.stack([columns, rows], axis=-1)) - np.array(RING.centre_mm)
    radius = np.hypot(away[..., 0], away[..., 1])
    paper = np.array(inkjet("alder").paper_xyz) * EXPOSURE
    relative = rgb_to_xyz("adobe-rgb", image / 65535.0) / paper * WHITE_D50
    for place in (1.0, 5.0, 8.0, 11.0):
        mean = relative[np.abs(radius - place) < 0.05].mean(axis=0)
        assert delta_e00(xyz_to_lab(mean), lab_at(path, place)) < 0.1

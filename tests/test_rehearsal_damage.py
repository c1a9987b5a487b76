"""Damage on rings, sweeps and wedges: what truth says against the printed colours themselves."""

from __future__ import annotations

import numpy as np
import pytest

from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, hue_deg_ipt, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rehearsal import (
    DAMAGE_HELP,
    Bump,
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
from inkstrain.targets.rehearsal.truth import RingTruth
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


def lab_at(path: RingPath, radius_mm: float) -> np.ndarray:
    return path.lab[int(radius_mm / CELL_MM)]


def length(lab: np.ndarray) -> float:
    """Return the CIEDE2000 length of the ramp, from the hub's last cell to the rim's first."""
    start, end = (round(edge / CELL_MM) for edge in RING.ramp_mm)
    ramp = lab[start - 1 : end + 1]
    return float(np.sum(delta_e00(ramp[:-1], ramp[1:])))


def jump_at(path: RingPath, radius_mm: float) -> float:
    return float(delta_e00(lab_at(path, radius_mm - 0.0005), lab_at(path, radius_mm + 0.0005)))


def test_an_undamaged_ring_is_what_the_file_asks_for() -> None:
    path = path_of()
    assert delta_e00(path.lab, path.intended_lab).max() < LAB


def test_a_held_stretch_is_one_colour_then_a_hard_step_back_to_the_path() -> None:
    path = path_of(HeldStretch(ID, 8.0, 9.5))
    assert delta_e00(lab_at(path, 8.001), lab_at(path, 9.499)) == pytest.approx(0.0, abs=1e-6)
    assert delta_e00(lab_at(path, 9.501), path.undamaged_lab[9501]) == pytest.approx(0.0, abs=LAB)
    # an even path loses its length in proportion to the width, and jumps by about as much
    lost = length(path.intended_lab) * 1.5 / (RING.ramp_mm[1] - RING.ramp_mm[0])
    assert jump_at(path, 9.5) == pytest.approx(lost, rel=0.1)


def test_held_at_the_outer_end_steps_at_the_inner_one() -> None:
    path = path_of(HeldStretch(ID, 8.0, 9.5, "outer"))
    assert jump_at(path, 8.0) > 3.0
    assert jump_at(path, 9.5) < LAB


@pytest.mark.parametrize("wanted", [1.0, 3.0, 12.0])
def test_a_step_has_its_contrast_at_its_radius_and_length_stays(wanted: float) -> None:
    path = path_of(Step(ID, 9.0, wanted))
    assert jump_at(path, 9.0) == pytest.approx(wanted, abs=0.02)
    # the contrast of a wide jump is a little less than the path it skips
    assert length(path.lab) / length(path.intended_lab) == pytest.approx(1.0, abs=0.02)
    assert path.lab[-1] == pytest.approx(path.undamaged_lab[-1])


@pytest.mark.parametrize("soft", [False, True])
def test_a_drop_off_runs_as_many_times_as_fast(soft: bool) -> None:
    path = path_of(DropOff(ID, 7.0, 7.5, times=5.0, soft=soft))
    assert path.position_mm[7500] - path.position_mm[7000] == pytest.approx(2.5, abs=0.01)
    assert path.position_mm[-2100] == pytest.approx(path.radius_mm[-2100], abs=0.2)


@pytest.mark.parametrize("soft", [False, True])
def test_a_drop_off_meets_its_contrast(soft: bool) -> None:
    path = path_of(DropOff(ID, 7.0, 7.5, contrast_de00=8.0, soft=soft))
    assert delta_e00(lab_at(path, 7.0), lab_at(path, 7.5)) == pytest.approx(8.0, abs=0.05)


def test_a_soft_drop_off_is_a_raised_cosine_of_speed() -> None:
    path = path_of(DropOff(ID, 7.0, 9.0, times=3.0, soft=True))
    speed = np.diff(path.position_mm) / CELL_MM
    common = speed[5000]
    place = (np.arange(7000, 9000) + 0.5) * CELL_MM - 7.0
    expected = common + (3.0 - common) * (1 - np.cos(np.pi * place))
    assert np.abs(speed[7000:9000] - expected).max() < 0.04  # chords of the curve, 0.005 mm long
    assert speed[7000:9000].max() == pytest.approx(6.0 - common, abs=0.01)


@pytest.mark.parametrize("amplitude", [0.6, -1.2])
def test_a_bump_is_lightness_alone_with_its_width_at_half_height(amplitude: float) -> None:
    path = path_of(Bump(ID, 10.0, 1.0, amplitude))
    change = path.lab - path.undamaged_lab
    assert np.abs(change[:, 1:]).max() == 0.0
    assert change[10000, 0] == pytest.approx(amplitude, abs=1e-4)
    assert change[[9500, 10499], 0] == pytest.approx([amplitude / 2] * 2, abs=0.01)
    assert np.flatnonzero(np.abs(change[:, 0]) > 1e-9)[[0, -1]] == pytest.approx([9000, 11000], abs=3)


@pytest.mark.parametrize(("shape", "degrees"), [("smooth", 15.0), ("box", -8.0)])
def test_a_hue_shift_turns_hue_and_keeps_the_rest(shape: str, degrees: float) -> None:
    damage = HueShift(ID, 10.0, 2.0, degrees, shape)  # type: ignore[arg-type]
    path = path_of(damage)
    turn = (hue_deg_ipt(path.lab) - hue_deg_ipt(path.undamaged_lab) + 180) % 360 - 180
    assert turn[10000] == pytest.approx(degrees, abs=0.01)
    assert turn[9000] == pytest.approx(degrees / 2, abs=0.05)
    assert turn[11000] == pytest.approx(degrees / 2, abs=0.05)


def test_a_reversal_has_its_depth() -> None:
    path = path_of(LightnessReversal(ID, 8.0, 9.0, 2.0))
    assert lab_at(path, 8.0)[0] - lab_at(path, 8.9995)[0] == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("then", ["step", "spaced"])
def test_an_early_hub_reaches_out_to_its_radius(then: str) -> None:
    path = path_of(EarlyHub(ID, 5.0, then))  # type: ignore[arg-type]
    assert delta_e00(path.lab[:4999], path.lab[0]).max() < 1e-6
    assert (jump_at(path, 5.0) > 3.0) == (then == "step")


def test_a_wave_moves_lightness_only() -> None:
    path = path_of(LightnessWave(ID, 1.0, 2.0))
    change = path.lab - path.undamaged_lab
    assert np.abs(change[:, 1:]).max() == 0.0
    middle = slice(6000, 14000)
    assert change[middle, 0].max() == pytest.approx(1.0, abs=1e-3)
    assert change[middle, 0].min() == pytest.approx(-1.0, abs=1e-3)


def test_several_damages_on_one_ring_keep_their_places() -> None:
    path = path_of(HeldStretch(ID, 5.0, 6.0), Step(ID, 9.0, 3.0), DropOff(ID, 12.0, 12.3, contrast_de00=5.0))
    assert jump_at(path, 6.0) > 2.0
    assert jump_at(path, 9.0) == pytest.approx(3.0, abs=0.05)
    assert delta_e00(lab_at(path, 12.0), lab_at(path, 12.3)) == pytest.approx(5.0, abs=0.05)


def test_truth_is_the_course_averaged_in_light() -> None:
    path = path_of(Step(ID, 9.004, 6.0))
    truth = RingTruth.of(path, (0,))
    radius, lab = np.array(truth.radius_mm), np.array(truth.lab)
    assert np.diff(radius) == pytest.approx(0.01)
    assert radius[[0, -1]] == pytest.approx([0.005, RING.radius_mm - 0.005], abs=0.006)
    # the cell with the step holds 4 parts of the one colour and 6 of the other
    sides = lab_to_xyz(np.array([lab_at(path, 9.003), lab_at(path, 9.005)]))
    assert lab[900] == pytest.approx(xyz_to_lab(0.4 * sides[0] + 0.6 * sides[1]), abs=0.05)
    assert delta_e00(lab[[899, 901]], [lab_at(path, 8.995), lab_at(path, 9.015)]).max() < 0.01
    assert truth.path is path
    assert truth.damages == (0,)


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
        ("dropoff:ring-to-black-blue:8:9:3x:hard", "boolean"),
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
    for seed in range(5):
        damages = draw_damage(np.random.default_rng(seed), SHEET, RECIPE, PRINTER, ranges)
        kinds |= {damage.kind for damage in damages}
        for ring in (ELEMENTS[i] for i in list(ELEMENTS) if i.startswith("ring")):
            mine = [d for d in damages if d.element == ring.id]
            ring_path(ring, RECIPE, PRINTER, mine)
            for damage in mine:
                for place in (getattr(damage, name, None) for name in ("inner_mm", "outer_mm", "radius_mm")):
                    assert place is None or ring.ramp_mm[0] + 1.4 < place < ring.ramp_mm[1] - 1.4
    assert kinds == {
        "held", "dropoff", "step", "hue", "reversal", "earlyhub", "wave", "bump", "merged", "lost", "reversed", "cast",
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

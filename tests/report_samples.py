"""Invented scores and crops for the report's tests: courses bent by hand, discs drawn from them."""

from __future__ import annotations

import numpy as np

from inkstrain.scoring.results.crops import Crop
from inkstrain.scoring.results.score import (  # fmt: skip
    Black,
    Cast,
    ColourBasis,
    Conditions,
    Contour,
    Course,
    DeltaE,
    DeltaEPair,
    Estimate,
    FaintRing,
    FallOff,
    Flag,
    FlatBand,
    FlatFieldScore,
    HeadBanding,
    HueSweepScore,
    HueSwing,
    MadeBy,
    MarkResidual,
    Merged,
    NeutralWedgeScore,
    PatchFieldScore,
    PatchReading,
    Reversal,
    RingScore,
    Ripple,
    Score,
    SweepRow,
    TileReading,
    Totals,
    Viewing,
    WedgeBreak,
    WedgeStep,
    White,
)
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import delta_e00, density
from inkstrain.targets.key import Key, Ring
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.rings import ring_lab
from inkstrain.targets.spaces import rgb_to_lab, xyz_to_rgb
from inkstrain.targets.sweeps import sweep_hue_deg, sweep_rgb

RECIPE = Recipe()


def lab_pixels(lab):
    from inkstrain.targets.colorimetry import lab_to_xyz

    return np.rint(xyz_to_rgb("srgb", lab_to_xyz(lab)) * 255).astype(np.uint8)


def sample_key() -> Key:
    return build_key(RECIPE)


def squeeze(lab, amount: float):
    """A print's smaller gamut: chroma compressed, black lifted."""
    lab = np.array(lab, dtype=float)
    chroma = np.hypot(lab[..., 1], lab[..., 2])
    ceiling = 78.0 - 12.0 * amount
    factor = np.where(chroma > 0, ceiling * np.tanh(chroma / ceiling) / np.maximum(chroma, 1e-9), 1.0)
    lab[..., 1:] *= factor[..., None]
    lab[..., 0] = 6.0 + 4 * amount + lab[..., 0] * (94.0 - 4 * amount) / 100.0
    return lab


def warp(radius, fault: str | None, amount: float):
    """Where along the ramp the print is, and the faults that were put in."""
    t = radius.copy()
    if fault in ("step", "flat-step"):
        at, jump = 9.3, 1.3 * amount
        t = t + jump * (1 / (1 + np.exp(-(radius - at) / 0.07)) - 0.5)
    if fault in ("flat", "flat-step"):
        inner, outer = 10.1, 11.9
        t = np.where((t > inner) & (t < outer), inner + (t - inner) * 0.04, t)
        t = np.where(t >= outer, t, t)
    return t


def spread(a, b) -> DeltaEPair:
    d = delta_e00(np.asarray(a), np.asarray(b))
    return DeltaEPair(
        intended=DeltaE(mean=float(np.mean(d)), p95=float(np.percentile(d, 95)), max=float(np.max(d)))
    )


def triples(array) -> tuple:
    return tuple(tuple(round(float(v), 4) for v in row) for row in array)


FAULTS = {
    ("ring-to-black", "violet"): "step",
    ("ring-to-black", "blue"): "flat-step",
    ("ring-to-white", "blue"): "flat",
    ("ring-to-black", "green"): "flat",
    ("ring-to-black", "red"): "step",
    ("ring-to-white", "cyan"): "swing",
    ("ring-to-white", "yellow"): "ripple",
    ("ring-to-white", "green"): "bump",
    ("ring-to-black", "orange"): "reversal",
}


def sample_ring(ring: Ring, seed: int, amount: float, attainable: bool) -> tuple[RingScore, Crop]:
    rng = np.random.default_rng(seed)
    radius = np.arange(ring.ramp_mm[0], ring.ramp_mm[1], 0.05)
    fault = FAULTS.get((ring.kind, ring.hue))
    intended = ring_lab(ring, RECIPE, radius)

    def printed(r):
        lab = squeeze(ring_lab(ring, RECIPE, warp(r, fault, amount)), amount)
        if fault == "swing":
            bend = np.deg2rad(11 * np.exp(-(((r - 12.0) / 1.5) ** 2)))
            a, b = lab[..., 1].copy(), lab[..., 2].copy()
            lab[..., 1] = a * np.cos(bend) - b * np.sin(bend)
            lab[..., 2] = a * np.sin(bend) + b * np.cos(bend)
        if fault == "ripple":
            lab[..., 0] += 0.6 * np.sin(2 * np.pi * r / 1.8) * ((r > 5) & (r < 14))
        if fault == "bump":
            lab[..., 0] += 0.8 * np.exp(-(((r - 8.0) / 0.5) ** 2))
        if fault == "reversal":
            lab[..., 0] -= 3.0 * np.exp(-(((r - 11.0) / 1.0) ** 2))
        return lab

    clean = printed(radius)
    error = 0.02 + 0.25 / np.sqrt(radius / 0.05)
    # as smooth as a course at a resolution of 0.1 mm, sampled every 0.05 mm
    bell = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)
    grain = rng.normal(0, 0.3, (3, len(radius)))
    smooth = np.stack([np.convolve(axis, bell / bell.sum(), mode="same") for axis in grain], axis=-1)
    lab = clean + smooth * error[:, None]
    course = Course(
        radius_mm=tuple(round(float(r), 3) for r in radius),
        lab=triples(lab), intended_lab=triples(intended),
        attainable_lab=triples(squeeze(intended, 0.5)) if attainable else None,
        standard_error_de00=tuple(round(float(e), 4) for e in error),
    )  # fmt: skip
    contours, flats, faint, swings, reversals, ripples = (), (), (), (), (), ()
    if fault in ("step", "flat-step"):
        contrast = float(delta_e00(printed(np.array([9.05]))[0], printed(np.array([9.55]))[0]))
        contours = (
            Contour(
                radius_mm=9.3, inner_mm=9.05, outer_mm=9.55, width_mm=0.5, excess_de00=0.6 * contrast,
                contrast_de00=contrast, noise_de00=0.12, radius_noise_mm=0.01, width_noise_mm=0.02,
                visibility=contrast * 2.1 if ring.hue != "red" else 0.6, visibility_noise=0.1,
                from_profile_de00=0.1 if attainable else None, from_profile_noise_de00=0.2 if attainable else None,
                from_print_de00=0.6 * contrast - 0.1 if attainable else None,
                cause="print" if attainable else "unknown",
            ),
        )  # fmt: skip
    if fault in ("flat", "flat-step"):
        flats = (
            FlatBand(
                inner_mm=10.1, outer_mm=11.9, width_mm=1.8, missing_de00=3.2, lost_de00=7.4, noise_de00=0.1,
                width_noise_mm=0.03, visibility=4.0, visibility_noise=0.3,
            ),
        )  # fmt: skip
    if fault == "bump":
        faint = (
            FaintRing(
                radius_mm=8.0, width_mm=0.8, amplitude_de00=0.7, amplitude_l=0.8, noise_de00=0.05, visibility=3.4,
                visibility_noise=0.3,
            ),
        )  # fmt: skip
    if fault == "swing":
        swings = (HueSwing(radius_mm=12.0, width_mm=3.0, degrees=-11.0, delta_h=6.1, noise_deg=0.8),)
    if fault == "reversal":
        reversals = (Reversal(inner_mm=11.0, outer_mm=12.4, depth_l=1.9),)
    if fault == "ripple":
        ripples = (
            Ripple(inner_mm=5.0, outer_mm=14.0, amplitude_l=0.6, period_mm=1.8, visibility=1.7),
        )  # fmt: skip
    score = RingScore(
        id=ring.id, kind=ring.kind, hue=ring.hue, sheet=1, tile=1,
        reach=0.71 - 0.05 * amount, reach_noise=0.003, evenness_noise=0.004, evenness_second_metric=0.9,
        evenness={None: 0.955, "step": 0.84, "flat-step": 0.71}.get(fault, 0.86),
        course=course, contours=contours, flat_bands=flats, faint_rings=faint, hue_swings=swings, reversals=reversals,
        ripples=ripples, core_mm=Estimate(value=0.4 if ring.kind == "ring-to-white" else 1.6, noise=0.05),
        fall_off_mm=FallOff(p10=4.4, p50=9.7, p90=15.1), delta_e00=spread(lab, intended),
        head_banding=HeadBanding(period_mm=5.4, amplitude_l=0.24, direction="across")
        if ring.hue == "magenta" and ring.kind == "ring-to-black" else None,
        flags=(Flag(code="specks-rejected", text="specks-rejected"),) if ring.hue == "orange" else (),
    )  # fmt: skip
    px_per_mm = 300 / 25.4
    half = ring.radius_mm + 1.5
    size = round(2 * half * px_per_mm)
    offset = (np.arange(size) + 0.5) / px_per_mm - half
    distance = np.hypot(offset[:, None], offset[None, :])
    fine = np.arange(0, ring.radius_mm + 0.2, 0.01)
    image_lab = printed(fine)[np.clip((distance / 0.01).astype(int), 0, len(fine) - 1)]
    image_lab[..., 0] += rng.normal(0, 0.8, distance.shape)
    image = lab_pixels(image_lab)
    image[distance > ring.radius_mm] = 247
    crop = Crop(
        image=image, px_per_mm=px_per_mm, origin_mm=(ring.centre_mm[0] - half, ring.centre_mm[1] - half)
    )
    return score, crop


def sample_sweep(key_element, amount: float) -> tuple[HueSweepScore, Crop]:
    rows = []
    x, y, width, height = key_element.box_mm
    scale = 8.0
    image = np.full((round(height * scale), round(width * scale), 3), 247, dtype=np.uint8)
    for band in key_element.rows:
        fraction = (np.arange(180) + 0.5) / 180
        hue = sweep_hue_deg("adobe-rgb", band.level, fraction)
        intended = rgb_to_lab("adobe-rgb", sweep_rgb("adobe-rgb", band.level, fraction))
        held = np.where((hue > 228) & (hue < 252), 228.0, hue)
        lab = squeeze(
            rgb_to_lab("adobe-rgb", sweep_rgb("adobe-rgb", band.level, np.interp(held, hue, fraction))), amount
        )
        rows.append(
            SweepRow(
                level=band.level, hue_deg=tuple(float(h) for h in hue), lab=triples(lab),
                intended_lab=triples(intended), order_breaks=(262.0,) if band.level == "full" else (),
                merged=(Merged(from_deg=228.0, to_deg=252.0),),
                chroma=tuple(float(c) for c in np.hypot(lab[:, 1], lab[:, 2])), delta_e00=spread(lab, intended),
            )
        )  # fmt: skip
        top = round((band.box_mm[1] - y) * scale)
        pixels = lab_pixels(lab)[(np.arange(image.shape[1]) * 180 // image.shape[1])]
        image[top : top + round(band.box_mm[3] * scale)] = pixels[None]
    score = HueSweepScore(id=key_element.id, kind="hue-sweep", sheet=1, tile=1, rows=tuple(rows))
    return score, Crop(image=image, px_per_mm=scale, origin_mm=(x, y))


def sample_wedge(key_element, amount: float) -> tuple[NeutralWedgeScore, Crop]:
    x, y, width, height = key_element.box_mm
    scale = 8.0
    image = np.full((round(height * scale), round(width * scale), 3), 247, dtype=np.uint8)
    asked = np.array([s.lab for s in key_element.steps])
    lab = squeeze(asked, amount)
    lab[:, 0] = np.maximum(lab[:, 0], 6.4 + 0.02 * asked[:, 0])
    lab[3, 0] = lab[2, 0] - 0.3
    climb, asked_climb = np.diff(lab[:, 0], prepend=np.nan), np.diff(asked[:, 0], prepend=np.nan)
    lab[:, 1] += 0.4 + 1.2 * np.exp(-(((asked[:, 0] - 35) / 20) ** 2))
    lab[:, 2] -= 1.6 * np.exp(-(((asked[:, 0] - 70) / 18) ** 2))
    steps = tuple(
        WedgeStep(
            step=s.step, intended_l=s.lab[0], lab=triples([m])[0], density=float(density(m)),
            noise_l=0.04, gain=None if np.isnan(rise) else float(rise / step), seen=bool(abs(rise) > 0.25),
            visibility=None if np.isnan(rise) else float(4 * abs(rise)),
        )
        for s, m, rise, step in zip(key_element.steps, lab, climb, asked_climb, strict=True)
    )  # fmt: skip
    for s, colour in zip(key_element.steps, lab_pixels(lab), strict=True):
        left = round((s.box_mm[0] - x) * scale)
        image[: round(s.box_mm[3] * scale), left : left + round(s.box_mm[2] * scale)] = colour
    ramp = np.linspace(0, 1, image.shape[1])
    ramp_lab = np.stack([np.interp(ramp * 100, asked[:, 0], lab[:, i]) for i in range(3)], axis=-1)
    image[round((key_element.ramp_box_mm[1] - y) * scale) :] = lab_pixels(ramp_lab)[None]
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    at = int(np.argmax(chroma))
    score = NeutralWedgeScore(
        id=key_element.id, kind="neutral-wedge", sheet=1, tile=1, steps=steps, monotonic=False,
        breaks=(WedgeBreak(after_step=3, delta_l=-0.3, noise_l=0.06),), merged=(2, 3),
        first_from_black=6, first_from_white=29,
        cast=Cast(max_c=float(chroma[at]), mean_c=float(chroma.mean()), at_step=at + 1,
                  a_at_max=float(lab[at, 1]), b_at_max=float(lab[at, 2])),
        smoothness=0.31, delta_e00=spread(lab, asked),
    )  # fmt: skip
    return score, Crop(image=image, px_per_mm=scale, origin_mm=(x, y))


def sample_patches(key_element, amount: float) -> tuple[PatchFieldScore, Crop]:
    asked = np.array([p.lab for p in key_element.patches])
    lab = squeeze(asked, amount)
    readings = tuple(
        PatchReading(
            patch=p.patch, lab=triples([m])[0], intended_lab=p.lab, scan_linear=(0.2, 0.2, 0.2),
            standard_error_de00=0.05,
        )
        for p, m in zip(key_element.patches, lab, strict=True)
    )  # fmt: skip
    x, y, width, height = key_element.box_mm
    image = np.full((round(height * 6), round(width * 6), 3), 247, dtype=np.uint8)
    for p, colour in zip(key_element.patches, lab_pixels(lab), strict=True):
        left, top = round((p.box_mm[0] - x) * 6), round((p.box_mm[1] - y) * 6)
        image[top : top + round(p.box_mm[3] * 6), left : left + round(p.box_mm[2] * 6)] = colour
    score = PatchFieldScore(
        id=key_element.id, kind="patch-field", sheet=1, tile=1, patches=readings, delta_e00=spread(lab, asked)
    )
    return score, Crop(image=image, px_per_mm=6.0, origin_mm=(x, y))


def sample_flat(key_element, amount: float) -> tuple[FlatFieldScore, Crop]:
    lab = squeeze(np.array(key_element.lab), amount)
    x, y, width, height = key_element.box_mm
    image = np.empty((round(height * 6), round(width * 6), 3), dtype=np.uint8)
    image[:] = lab_pixels(lab)
    score = FlatFieldScore(
        id=key_element.id, kind="flat-field", sheet=1, tile=1, lab=triples([lab])[0],
        intended_lab=key_element.lab, grain_l=1.3, unevenness_l=0.4,
        head_banding=HeadBanding(period_mm=5.4, amplitude_l=0.24, direction="across"),
        delta_e00=spread([lab], [key_element.lab]),
    )  # fmt: skip
    return score, Crop(image=image, px_per_mm=6.0, origin_mm=(x, y))


def sample_print(
    amount: float = 1.0, *, basis: str = "assumed", attainable: bool = False, conditions: Conditions | None = None
) -> tuple[Score, dict[str, Crop], Key]:
    """An invented print: its score, its crops, its chart's key."""
    key = sample_key()
    elements, crops = [], {}
    for index, element in enumerate(key.sheets[0].tiles[0].elements):
        match element.kind:
            case "ring-to-white" | "ring-to-black":
                part, crop = sample_ring(element, index, amount, attainable)
            case "hue-sweep":
                part, crop = sample_sweep(element, amount)
            case "neutral-wedge":
                part, crop = sample_wedge(element, amount)
            case "patch-field":
                part, crop = sample_patches(element, amount)
            case _:
                part, crop = sample_flat(element, amount)
        elements.append(part)
        crops[element.id] = crop
    rings = [e for e in elements if isinstance(e, RingScore)]
    contours = [c for r in rings for c in r.contours]
    score = Score(
        made_by=MadeBy(version="0.1.0"), chart=key.chart, recipe=key.recipe,
        conditions=conditions or Conditions(
            printer="The large one by the window", paper="Cotton rag, warm", ink="First set",
            profile="studio-rag-v2", intent="relative", black_point_compensation=True, date="2031-03-04",
            note="Dried overnight.",
        ),
        colour_basis=ColourBasis(kind=basis, note="The scan carries no profile; sRGB was taken for granted."),
        viewing=Viewing(distance_mm=400.0, luminance_cd_m2=140.0), resolution_mm=0.1, white=White(lab=(98.2, 0.3, 1.9)),
        black=Black(lab=(9.8, 0.6, 0.2), density=1.95),
        tiles=(
            TileReading(
                sheet=1, tile=1, scan="rag-relative-300.tif",
                scan_sha256=f"{round(100 * amount):064x}", dpi=(300.0, 300.0),
                rotation_deg=1.46, print_scale=(1.0004, 0.9991),
                mark_residual_mm=MarkResidual(rms=0.012, max=0.031), blur_mm=0.07, marks_used=61,
                marks_expected=62, bits_per_channel=16,
            ),
        ),
        elements=tuple(elements),
        totals=Totals(
            excess_to_white=Estimate(value=0.0, noise=0.0),
            excess_to_black=Estimate(value=sum(c.excess_de00 for c in contours), noise=0.2),
            missing_to_white=Estimate(value=3.2, noise=0.1), missing_to_black=Estimate(value=6.4, noise=0.14),
            visible_rings=sum((c.visibility or 0) >= 1 for r in rings for c in (*r.contours, *r.faint_rings)),
            evenness=Estimate(value=float(np.mean([r.evenness for r in rings])), noise=0.001),
            reach=Estimate(value=float(np.mean([r.reach for r in rings])), noise=0.001),
            black_l=Estimate(value=9.8, noise=0.05), mean_cast=Estimate(value=1.2, noise=0.04),
        ),
    )  # fmt: skip
    return score, crops, key

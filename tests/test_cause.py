"""Cause: findings of a print through a profile are the profile's, and what is added to them is the print's.

Prints are rehearsed through the CMYK profile that libvips ships, whose tables make contours of their own, and damaged
at places that it leaves alone. Most are scored from their exact paths; some from a rehearsed scan.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from disc_samples import RECIPE, Setting, element, sample

from inkstrain.scoring.attain import with_attainable_ring
from inkstrain.scoring.features import PathPair
from inkstrain.scoring.forecast import score_path
from inkstrain.scoring.model import RingScore
from inkstrain.scoring.rendering import Press, Rendering
from inkstrain.scoring.totals import totals_of
from inkstrain.targets.errors import WrongUsageError
from inkstrain.targets.key import Ring
from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.rehearsal import (
    DamageRanges,
    EarlyHub,
    HeldStretch,
    HueShift,
    IccPrinter,
    Step,
    draw_ring_damage,
    ring_path,
)
from inkstrain.targets.rehearsal.damage import RingDamage
from inkstrain.targets.rehearsal.ringpath import RingPath, check_ring_damage
from inkstrain.targets.rehearsal.ringtruth import ring_truth
from inkstrain.targets.rehearsal.truth import RingTruth

HUES = ("red", "orange", "yellow", "green", "cyan", "blue", "violet", "magenta")
RELATIVE, PERCEPTUAL = Rendering("relative", True), Rendering("perceptual", False)
CLEAR_MM = 1.0
EVERY = 20  # of the rehearsal's micrometres


@pytest.fixture(scope="module")
def profile() -> OutputProfile:
    pyvips = pytest.importorskip("pyvips")
    return OutputProfile(bytes(pyvips.Operation.call("profile_load", "cmyk")))


def ring(name: str) -> Ring:
    found = element(name)
    assert isinstance(found, Ring)
    return found


def printed(
    name: str, profile: OutputProfile, rendering: Rendering, damages: tuple[RingDamage, ...] = ()
) -> tuple[RingScore, RingPath]:
    """Return a ring's score from its exact path, with causes, and the path."""
    described = ring(name)
    path = ring_path(described, RECIPE, IccPrinter(profile.data, rendering.intent, rendering.bpc), damages)
    inner, outer = described.ramp_mm
    on_ramp = np.flatnonzero((path.radius_mm >= inner) & (path.radius_mm <= outer))[::EVERY]
    pair = PathPair(path.radius_mm[on_ramp], path.lab[on_ramp], path.intended_lab[on_ramp])
    score = score_path(described, pair, (1, 1))
    return with_attainable_ring(score, described, RECIPE, Press(RECIPE.space, profile, rendering)), path


@pytest.mark.parametrize("rendering", [PERCEPTUAL, RELATIVE], ids=lambda each: each.name)
def test_all_that_a_profile_does_is_the_profile_s(profile: OutputProfile, rendering: Rendering) -> None:
    causes = []
    for end in ("white", "black"):
        for hue in HUES:
            score, _ = printed(f"ring-to-{end}-{hue}", profile, rendering)
            causes += [found.cause for found in (*score.contours, *score.flat_bands, *score.hue_swings)]
            assert score.core_cause in (None, "profile")
            assert score.delta_e00.attainable is not None
            assert score.delta_e00.attainable.max < 0.1
    assert len(causes) > 15
    assert set(causes) == {"profile"}


def extent(damage: RingDamage, ring_mm: tuple[float, float]) -> tuple[float, float]:
    match damage:
        case Step():
            return damage.radius_mm, damage.radius_mm
        case HueShift():
            return damage.radius_mm - damage.width_mm, damage.radius_mm + damage.width_mm
        case EarlyHub():
            return ring_mm[0], damage.to_mm
        case _:
            return damage.inner_mm, damage.outer_mm  # type: ignore[union-attr]


def drawn(rng: np.random.Generator, described: Ring, clean: RingTruth, printer: IccPrinter) -> tuple[RingDamage, ...]:
    """Return damage that keeps clear of what the profile does."""
    ranges = DamageRanges(clean=0.0, kinds=("held", "dropoff", "step", "hue", "earlyhub"), clear_mm=CLEAR_MM)
    own = [(f.inner_mm, f.outer_mm) for f in (*clean.other_contours, *clean.other_flat_bands)]
    for _ in range(40):
        damages = tuple(draw_ring_damage(rng, described, ranges))
        places = [extent(damage, described.ramp_mm) for damage in damages]
        if any(a < outer + CLEAR_MM and b > inner - CLEAR_MM for a, b in places for inner, outer in own):
            continue
        # an early hub hardly longer than the profile's own core is mostly the profile's
        cores = [damage.to_mm - described.ramp_mm[0] for damage in damages if isinstance(damage, EarlyHub)]
        if any(core < 2 * clean.core_mm for core in cores):
            continue
        try:
            check_ring_damage(described, RECIPE, printer, damages)
        except WrongUsageError:
            continue
        return damages
    return ()


Scored = Callable[[str, Rendering, tuple[RingDamage, ...], int], RingScore]
"""From a ring's name, rendering, damages and number to its score with causes."""


def outcomes(
    profile: OutputProfile, count: int, seed: int, scored: Scored | None = None
) -> Iterator[tuple[str, str, str]]:
    """Yield (kind, truth, cause) of findings whose truth is known: near damage, or near what the profile does.

    Scores are of exact paths unless another way is given.
    """
    rng = np.random.default_rng(seed)
    for number in range(count):
        name = f"ring-to-{rng.choice(['white', 'black'])}-{rng.choice(HUES)}"
        rendering = (PERCEPTUAL, RELATIVE, Rendering("saturation", False))[int(rng.integers(3))]
        printer = IccPrinter(profile.data, rendering.intent, rendering.bpc)
        clean = ring_truth(ring_path(ring(name), RECIPE, printer), ())
        damages = drawn(rng, ring(name), clean, printer)
        score, path = printed(name, profile, rendering, damages)
        if scored is not None:
            score = scored(name, rendering, damages, number)
        truth = ring_truth(path, tuple(enumerate(damages)))
        for kind, found, added, own in (
            ("contour", score.contours, truth.contours, clean.other_contours),
            ("flat", score.flat_bands, truth.flat_bands, clean.other_flat_bands),
        ):
            for each in found:  # type: ignore[attr-defined]
                at = (each.inner_mm + each.outer_mm) / 2
                to_added, to_own = (
                    min((abs(at - (f.inner_mm + f.outer_mm) / 2) for f in known), default=9.0) for known in (added, own)
                )
                if min(to_added, to_own) < 0.4:
                    yield kind, "print" if to_added < to_own else "profile", each.cause
        shifts = [damage for damage in damages if isinstance(damage, HueShift)]
        for swing in score.hue_swings:
            if any(abs(swing.radius_mm - shift.radius_mm) < 0.4 for shift in shifts):
                yield "hue", "print", swing.cause
            elif not any(abs(swing.radius_mm - shift.radius_mm) < 2 * shift.width_mm for shift in shifts):
                yield "hue", "profile", swing.cause
        if score.core_cause is not None:
            early = [damage for damage in damages if isinstance(damage, EarlyHub)]
            yield "core", "print" if early else "profile", score.core_cause


def test_what_damage_adds_is_the_print_s_and_what_the_profile_does_stays_its_own(profile: OutputProfile) -> None:
    # the project's goal is 98 % of each on many; a small sample may have one or two doubtful ones
    counts = Counter((truth, cause) for _, truth, cause in outcomes(profile, 40, seed=1))
    for truth in ("print", "profile"):
        total = sum(n for (known, _), n in counts.items() if known == truth)
        assert total > 20
        assert counts[truth, truth] >= 0.95 * total


def test_a_step_in_the_middle_of_a_profile_s_contour_is_told_apart_by_its_steepness(profile: OutputProfile) -> None:
    name = "ring-to-black-green"  # relative makes a contour of 8 ΔE00 at 16.3 mm there
    score, _ = printed(name, profile, RELATIVE, (Step(name, 9.0, 4.0),))
    by_cause = {contour.cause: contour.radius_mm for contour in score.contours}
    assert by_cause["print"] == pytest.approx(9.0, abs=0.05)
    assert by_cause["profile"] == pytest.approx(16.3, abs=0.3)


def test_a_held_stretch_moves_the_profile_s_contour_and_it_stays_the_profile_s(profile: OutputProfile) -> None:
    name = "ring-to-black-green"
    held = (HeldStretch(name, 8.0, 10.0, "inner"),)
    before, after = printed(name, profile, RELATIVE)[0], printed(name, profile, RELATIVE, held)[0]
    assert before.contours[-1].cause == after.contours[-1].cause == "profile"
    assert [band.cause for band in after.flat_bands if band.inner_mm < 10] == ["print"]


def test_a_scanned_disc_has_the_same_causes(profile: OutputProfile) -> None:
    name = "ring-to-black-green"
    setting = Setting(printer=IccPrinter(profile.data, "relative", True), dpi=300.0)
    damage = (Step(name, 9.0, 4.0),)
    score = sample(name, damage, setting).score()
    told = with_attainable_ring(score, ring(name), RECIPE, Press(RECIPE.space, profile, RELATIVE))
    found = {contour.cause: contour for contour in told.contours}
    assert found["print"].radius_mm == pytest.approx(9.0, abs=0.05)
    # the same path without scanner or noise
    forecast = printed(name, profile, RELATIVE, damage)[0].contours[-1]
    assert found["profile"].radius_mm == pytest.approx(forecast.radius_mm, abs=0.1)
    # a table's flank: its ends hang on the limit of speed, which the stated error holds
    error = found["profile"].contrast_standard_error_de00
    assert error is not None
    least, most = forecast.contrast_range_de00
    assert 1.96 * error < most - least
    assert found["profile"].contrast_de00 == pytest.approx(forecast.contrast_de00, abs=1.96 * error)
    counts = totals_of([told]).by_cause
    assert counts is not None
    assert counts["print"].contours == sum(contour.cause == "print" for contour in told.contours)
    assert counts["profile"].contours >= 1


def test_without_a_profile_nothing_is_counted_by_cause(profile: OutputProfile) -> None:
    score, _ = printed("ring-to-white-red", profile, RELATIVE)
    bare = score.model_copy(update={"profile": score.profile.model_copy(update={"attainable_lab": None})})
    assert totals_of([bare]).by_cause is None

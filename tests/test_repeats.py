"""Two scans of one print that disagree beyond a scanner's noise: told when kept, and when compared."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import score_samples
import spectral

from inkstrain import compare
from inkstrain.cli.app import main
from inkstrain.scoring.compare.repeats import SCANS_APART_DE00, disagreement_de00, scans_apart_de00
from inkstrain.scoring.results.score import Conditions, Score
from inkstrain.targets.recipe import Recipe

RECIPE = Recipe(only=("neutral-wedge", "patch-field"), dpi=200, sheet="200x200")


def scan(number: int, white_l: float = 95.0, **conditions: object) -> Score:
    stated = Conditions.model_validate({"printer": "Alder (invented)", "print_name": "1", **conditions})
    score = score_samples.score(conditions=stated, sha256=f"{number:064d}")
    return score.model_copy(update={"white": score.white.model_copy(update={"lab": (white_l, 0.0, 0.0)})})


def test_scans_of_one_print_are_held_against_the_repeatability_of_a_flatbed() -> None:
    # published: two scans differ by 0.27 % of the response in the mean, the lid opened (Med. Phys. 42, 2015), which is
    # 0.24 % as standard deviation (by drawing), 0.09 L* at white; once in 20 they differ by more than 1.96 √2 of it
    draws = np.random.default_rng(5).standard_normal((2, 200_000))
    sd = 0.0027 / np.abs(draws[0] - draws[1]).mean()
    white_l = 116 * np.cbrt(1 + sd) - 116
    assert pytest.approx(1.96 * 2**0.5 * 3**0.5 * white_l, rel=0.01) == SCANS_APART_DE00
    assert scans_apart_de00(scan(1), scan(2)) == 0.0
    # CIEDE2000 shrinks 2 L* near white to 1.2
    assert scans_apart_de00(scan(1), scan(2, 93.0)) == pytest.approx(1.2, abs=0.1)
    assert disagreement_de00([scan(1), scan(2, 93.0), scan(3, 94.9)]) == scans_apart_de00(scan(1), scan(2, 93.0))


@pytest.mark.parametrize(
    "other",
    [
        scan(1, 80.0),  # the same file
        scan(2, 80.0, print_name="2"),
        scan(2, 80.0, drying_h=48.0),  # colours move while a print dries
        scan(2, 80.0, scanner="another"),
    ],
)
def test_what_may_well_differ_is_no_disagreement(other: Score) -> None:
    assert disagreement_de00([scan(1), other]) is None


def test_a_comparison_says_so_first_whether_the_scans_are_on_one_side_or_two() -> None:
    other = scan(3, print_name="2")
    for sides in (([scan(1), scan(2, 93.0)], [other]), ([scan(1)], [scan(2, 93.0)])):
        (point,) = (p for p in compare(*sides).fairness if p.what == "scans of one print")
        assert point.kind == "fault"
        assert point.text is not None
        assert "turn off automatic exposure" in point.text
    assert not [p for p in compare([scan(1), scan(2, 94.9)], [other]).fairness if p.what == "scans of one print"]


def test_a_scan_that_disagrees_with_an_earlier_one_of_its_print_is_told_when_it_is_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = {}
    for name, gain, seed in (("first", 1.0, 1), ("second", 1.0, 2), ("brighter", 0.9, 3)):
        spectral.spectral_scan(
            RECIPE, tmp_path / f"{name}.tif", spectral.FIRST, spectral.sensor(), gain=gain, seed=seed
        )
        words = ["--print", "1", "--printer", "invented", "--ledger", str(tmp_path / "book.db"), "--keep"]
        assert main(["score", str(tmp_path / f"{name}.tif"), *words, "--json", str(tmp_path / "s.json")]) == 0
        told[name] = capsys.readouterr().err
    assert "more than a scanner's noise" not in told["first"] + told["second"]
    assert "of the same print, are" in told["brighter"]
    assert "turn off automatic exposure" in told["brighter"]

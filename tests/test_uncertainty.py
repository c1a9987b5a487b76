"""By how much scanners differ from scan to scan, against the formula of L* itself."""

from __future__ import annotations

import numpy as np
import pytest

from inkstrain.scoring.colour.uncertainty import LID_OPENED_REPEATABILITY, REPEATABILITY, scanner_repeatability_l
from inkstrain.targets.colorimetry import lab_to_xyz, xyz_to_lab


@pytest.mark.parametrize("share", [REPEATABILITY, LID_OPENED_REPEATABILITY])
def test_repeatability_is_that_of_a_response_that_errs_by_a_share_of_itself(share: float) -> None:
    lightness = np.linspace(8.5, 100.0, 20)
    lab = np.stack([lightness, *np.zeros((2, 20))], axis=1)
    brighter = xyz_to_lab(lab_to_xyz(lab) * (1.0 + share))[:, 0]
    assert scanner_repeatability_l(lightness, share) == pytest.approx(brighter - lightness, rel=2e-3)


def test_published_repeatability_is_small_in_lightness() -> None:
    # 0.17 % of the response (Med. Phys. 42, 2015, doi 10.1118/1.4929563), by hand: 22 × 0.0017 and 38.7 × 0.0017
    assert scanner_repeatability_l(50.0) == pytest.approx(0.0374)
    assert scanner_repeatability_l(100.0) == pytest.approx(0.0657, abs=1e-4)
    assert scanner_repeatability_l(-1.0) == scanner_repeatability_l(0.0) > 0.0

"""Path fits in other processes: the same as here, whatever becomes of them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import CancelledError, ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from test_path import BLUR_MM, MEASURED, RAMP_MM, blurred, with_step

from inkstrain.scoring import pathpool
from inkstrain.scoring.path import PathFit, fit_path
from inkstrain.scoring.pathpool import FITTED_HERE, path_fits

Array = NDArray[np.float64]

ORPHANS = """
import os, sys, time
from inkstrain.scoring.pathpool import path_fits
with path_fits(2) as fits:
    print(*{fits.pool.submit(os.getpid).result() for _ in range(2)}, flush=True)
    time.sleep(60)
"""


def profile(seed: int) -> tuple[Array, Array, Array]:
    """Return radii, colours and errors of a fade with one hard step."""
    return MEASURED, *blurred(with_step(5.0 + seed, (-4.0, 2.0, 3.0)), seed)


def check_same(one: PathFit, other: PathFit) -> None:
    np.testing.assert_array_equal(one.radius_mm, other.radius_mm)
    np.testing.assert_allclose(one.lab, other.lab, atol=1e-9)
    np.testing.assert_allclose(one.steps_mm, other.steps_mm, atol=1e-9)


def test_fits_of_other_processes_are_those_of_this_one() -> None:
    with path_fits(2) as fits, ThreadPoolExecutor(6) as threads:
        fits.start()
        elsewhere = list(threads.map(lambda seed: fits(*profile(seed), RAMP_MM, BLUR_MM), range(6)))
    for seed, fit in enumerate(elsewhere):
        check_same(fit, fit_path(*profile(seed), RAMP_MM, BLUR_MM))
        assert fit.steps_mm == pytest.approx([5.0 + seed], abs=0.05)


def test_what_a_fit_refuses_is_refused_from_there_too() -> None:
    radius, lab, error = profile(1)
    with path_fits(2) as fits, pytest.raises(ValueError, match="bins on the ramp"):
        fits(radius[:30], lab[:30], error[:30], RAMP_MM, BLUR_MM)


def test_one_processor_fits_in_this_process() -> None:
    with path_fits(1) as fits:
        assert fits is FITTED_HERE


def test_a_system_without_processes_to_lend_fits_in_this_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(*_: object, **__: object) -> None:
        raise PermissionError("no semaphores here")

    monkeypatch.setattr(pathpool, "ProcessPoolExecutor", refuses)
    with path_fits(2) as fits:
        assert fits is FITTED_HERE


def test_processes_that_were_ended_are_done_without() -> None:
    with path_fits(2) as fits:
        assert fits.pool is not None
        os.kill(fits.pool.submit(os.getpid).result(), signal.SIGTERM)
        for seed in range(3):
            check_same(fits(*profile(seed), RAMP_MM, BLUR_MM), fit_path(*profile(seed), RAMP_MM, BLUR_MM))


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="asks /proc who is alive")
def test_processes_end_with_the_one_that_asked() -> None:
    with subprocess.Popen([sys.executable, "-c", ORPHANS], stdout=subprocess.PIPE, text=True) as asking:
        assert asking.stdout is not None
        helpers = asking.stdout.readline().split()
        assert helpers
        assert all(Path("/proc", helper).exists() for helper in helpers)
        asking.kill()
    for _ in range(100):
        if not any(Path("/proc", helper).exists() for helper in helpers):
            return
        time.sleep(0.1)
    pytest.fail(f"{helpers} are left")


def test_fits_that_are_given_up_are_waited_for_by_nobody() -> None:
    with path_fits(2) as fits, ThreadPoolExecutor(8) as threads:
        assert fits.pool is not None
        for _ in range(4):  # as many as two processes take on or fetch beforehand, and one more
            fits.pool.submit(time.sleep, 0.8)
        waiting = [threads.submit(fits, *profile(seed), RAMP_MM, BLUR_MM) for seed in range(8)]
        while not all(one.done() for one in waiting):
            fits.give_up()
            time.sleep(0.01)
        ends = [one.exception() for one in waiting]
    assert any(isinstance(end, CancelledError) for end in ends)
    assert all(end is None or isinstance(end, CancelledError) for end in ends)


@pytest.mark.skipif(sys.platform == "win32", reason="has no process groups")
@pytest.mark.parametrize("after_s", [0.3, 0.9, 1.5])
def test_ctrl_c_ends_scoring_without_a_traceback(scan: Path, tmp_path: Path, after_s: float) -> None:
    """At any moment: a terminal sends it to the processes that fit, too, half loaded or not."""
    words = ["-c", "from inkstrain.cli.app import main; import sys; sys.exit(main())", "score", str(scan)]
    with subprocess.Popen(
        [sys.executable, *words, "--json", str(tmp_path / "score.json")],
        stderr=subprocess.PIPE, text=True, start_new_session=True,
    ) as scoring:  # fmt: skip
        time.sleep(after_s)
        os.killpg(scoring.pid, signal.SIGINT)
        _, said = scoring.communicate(timeout=30)
    assert scoring.returncode in (130, 0, -signal.SIGINT)  # the last before the program was there to catch it
    if scoring.returncode == 130:
        assert "Traceback" not in said
    assert "pool" not in said
    assert "multiprocessing" not in said

"""A scanner fit from scans of patches: sampled, matched by name, and fitted."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from inkstrain.targets.colorimetry import WHITE_D50, delta_e00, density, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError
from inkstrain.targets.key import Patch, PatchField
from inkstrain.targets.outputprofile import OutputProfile

from ..colour.basis import scan_basis
from ..colour.bedlight import BedLight, evened, light_flags
from ..colour.exchange import Readings
from ..colour.fitting import LEAST_PATCHES, Chosen, choose
from ..colour.misreadings import likely_mistake
from ..colour.scannerfit import decoding_of, same_decoding
from ..measure.patches import patch_means
from ..measure.sampling import open_window
from ..place.placement import locate
from ..promise.rendering import Rendering
from ..read.scanfile import open_scan
from ..results.fit import (
    BorrowedFrom,
    Decoding,
    FitConditions,
    FitPoint,
    Measurement,
    ScannerFit,
    SuspectPatch,
    WorstPatch,
)

__all__ = ["ScannedPatches", "borrow_fit", "fit_from_readings", "scan_patches"]

Array = NDArray[np.float64]

_WORST: Final = 5
_FITTING_DE00: Final = 2.0
_TWICE_DE00: Final = 0.4
_FEW: Final = 4
_SPOILS: Final = ("paper-clipped", "black-clipped", "sharpened", "uneven-light", "lossy")  # flags of a scan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScannedPatches:
    """The patches of one print as scanned.

    Attributes
    ----------
    linear
        Mean linear channel values, (n, 3).
    decoding
        How codes became linear.
    notes
        What spoils colours in the scans, as sentences.
    """

    chart: str
    space: str
    patches: tuple[Patch, ...]
    linear: Array
    decoding: Decoding
    notes: tuple[str, ...] = ()


def scan_patches(paths: Sequence[Path], blank: BedLight | None = None) -> ScannedPatches:
    """Read the patch fields in the scans of one print, with the bed's light divided out if a blank scan is given.

    Raises
    ------
    CannotMeasureError
        If a scan cannot be read or holds no patch field, or the scans differ in chart or colour profile.
    """
    patches: dict[str, tuple[Patch, Array]] = {}
    charts: set[tuple[str, str]] = set()
    decodings: list[Decoding] = []
    notes: set[str] = set()
    for path in paths:
        with threadpool_limits(limits=1, user_api="blas"), open_scan(path) as scan:
            basis = scan_basis(scan.icc, str(path))
            decodings.append(decoding_of(basis))
            source = evened(scan, basis, blank)
            for placement in locate(scan):
                flags = (*scan.flags, *placement.flags, *light_flags(source, placement, basis, blank))
                notes |= {f"{path}: {flag.partition(': ')[2]}." for flag in flags if flag.startswith(_SPOILS)}
                charts.add((placement.recipe.chart_id, placement.recipe.space))
                for element in placement.key_tile.elements:
                    if not isinstance(element, PatchField):
                        continue
                    window = open_window(source, placement, element.box_mm)
                    means = patch_means(window, element, basis, WHITE_D50)
                    if window.clipped or not np.isfinite(means.linear).all():
                        raise CannotMeasureError(f"{path}: the patches are not whole in the scan. Scan all of it.")
                    patches |= {
                        patch.patch: (patch, row) for patch, row in zip(element.patches, means.linear, strict=True)
                    }
    if len(charts) > 1:
        raise CannotMeasureError("The scans are of different charts. Fit from the scans of one print.")
    if not patches:
        raise CannotMeasureError("No scan shows a patch field. Make one: inkstrain make --only patch-field.")
    if any(not same_decoding(decodings[0], other) for other in decodings[1:]):
        raise CannotMeasureError("The scans have different colour profiles. Scan all tiles with the same settings.")
    chart, space = charts.pop()
    return ScannedPatches(
        chart=chart,
        space=space,
        patches=tuple(patch for patch, _ in patches.values()),
        linear=np.array([row for _, row in patches.values()]),
        decoding=decodings[0],
        notes=tuple(sorted(notes)),
    )


def fit_from_readings(
    scanned: ScannedPatches, readings: Readings, file: Path, conditions: FitConditions
) -> ScannerFit:
    """Return the fit of scanned patches to their measured colours.

    Raises
    ------
    CannotMeasureError
        If too few patches were measured, or their colours do not belong to the scan.
    """
    rows = readings.rows([patch.patch for patch in scanned.patches])
    if not rows:
        example = next(iter(next(iter(readings.names.values()))))
        raise CannotMeasureError(
            f"{file} names none of the chart's patches: it has such as {example!r}, the chart "
            f"{scanned.patches[0].patch!r}. Name the samples as the key does."
        )
    index = [i for i, patch in enumerate(scanned.patches) if patch.patch in rows]
    lab = readings.lab[[rows[scanned.patches[i].patch] for i in index]]
    measurement = Measurement(
        file=file.name.encode("utf-8", "backslashreplace").decode("utf-8"),
        sha256=hashlib.sha256(file.read_bytes()).hexdigest(),
        quantity=readings.quantity,
        stated=dict(readings.stated),
    )
    notes = list(readings.notes)
    if len(index) < len(scanned.patches):
        notes.append(f"{len(scanned.patches) - len(index)} of {len(scanned.patches)} patches were not measured.")
    return _fit(scanned, index, lab, kind={"kind": "scanner-fit", "measurement": measurement}, notes=notes,
                conditions=conditions)  # fmt: skip


def borrow_fit(
    scanned: ScannedPatches, profile: OutputProfile, rendering: Rendering, conditions: FitConditions
) -> ScannerFit:
    """Return a fit to what the printer's profile itself says of each patch, absolute, in an instrument's stead."""
    rgb = np.array([patch.rgb for patch in scanned.patches])
    relative = profile.printed_xyz(scanned.space, rgb, rendering.intent, rendering.bpc)
    lab = xyz_to_lab(relative * (np.array(profile.paper_xyz) / WHITE_D50))
    origin = BorrowedFrom(
        profile=profile.description,
        sha256=profile.sha256,
        intent=rendering.intent,
        black_point_compensation=rendering.bpc,
    )
    return _fit(scanned, list(range(len(rgb))), lab, kind={"kind": "borrowed", "borrowed_from": origin}, notes=[],
                conditions=conditions)  # fmt: skip


def _fit(
    scanned: ScannedPatches, index: Sequence[int], lab: Array, *, kind: Mapping[str, object], notes: Sequence[str],
    conditions: FitConditions,
) -> ScannerFit:  # fmt: skip
    patches = [scanned.patches[i] for i in index]
    names = [patch.patch for patch in patches]
    linear = scanned.linear[list(index)]
    rgb = np.array([patch.rgb for patch in patches])
    with threadpool_limits(limits=1, user_api="blas"):
        chosen = _chosen(names, linear, lab, rgb)
    white, black = int(np.argmin(np.abs(1 - rgb).sum(axis=1))), int(np.argmin(rgb.sum(axis=1)))
    order = np.argsort(-np.where(chosen.kept, chosen.errors, -1.0))[:_WORST]
    suspects = _suspects(names, lab, chosen)
    return ScannerFit.model_validate(
        {
            **kind,
            "made_by": version("inkstrain"),
            "chart": scanned.chart,
            "conditions": conditions,
            "decoding": scanned.decoding,
            "linearisation": chosen.correction.linearisation,
            "method": chosen.correction.method,
            "matrix": chosen.correction.matrix.tolist(),
            "patches": int(chosen.kept.sum()),
            "residual_de00": chosen.residual,
            "worst": [WorstPatch(patch=names[i], de00=float(chosen.errors[i])) for i in order],
            "suspects": suspects,
            "candidates": chosen.candidates,
            "white": _point(lab[white], linear[white]),
            "black": _point(lab[black], linear[black]),
            "notes": [*scanned.notes, *notes],
        }
    )


def _chosen(names: Sequence[str], linear: Array, lab: Array, rgb: Array) -> Chosen:
    """Return the best fit; where much does not fit, say first what was probably done wrong in measuring."""
    refused = None
    try:
        chosen = choose(linear, lab, rgb)
        if (~chosen.kept).sum() <= _FEW:
            return chosen
    except CannotMeasureError as error:
        refused = error
    mistake = likely_mistake(names, linear, lab) if len(names) >= LEAST_PATCHES else None
    if mistake is not None:
        raise CannotMeasureError(
            f"Probably {mistake}: put right, the readings fit. Correct the file, or measure these again."
        )
    if refused is not None:
        raise refused
    return chosen


def _point(lab: Array, linear: Array) -> FitPoint:
    dark = float(density(lab))
    return FitPoint(
        lab=tuple(lab.tolist()), density=dark if np.isfinite(dark) else None, scan_linear=tuple(linear.tolist())
    )


def _suspects(names: Sequence[str], lab: Array, chosen: Chosen) -> list[SuspectPatch]:
    """Return the patches that were left out, with what probably happened to them."""
    out: list[int] = np.flatnonzero(~chosen.kept).tolist()
    texts = dict.fromkeys(out, "does not fit; measure it again")
    for i in out:
        same = np.asarray(delta_e00(lab, lab[i]))
        same[i] = np.inf
        twin = int(np.argmin(same))
        if same[twin] < _TWICE_DE00 and chosen.kept[twin]:
            texts[i] = f"probably a second reading of {names[twin]}; measure it again"
    for i, j in itertools.combinations(out, 2):
        crossed = delta_e00(chosen.predicted[[i, j]], lab[[j, i]])
        if np.all(np.asarray(crossed) < np.maximum(_FITTING_DE00, 0.25 * chosen.errors[[i, j]])):
            texts[i], texts[j] = (f"probably swapped with {names[other]}" for other in (j, i))
    return [SuspectPatch(patch=names[i], de00=float(chosen.errors[i]), text=texts[i]) for i in out]

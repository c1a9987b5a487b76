"""A scanner fit from scans of patches: read, matched by name, fitted, kept, and used as a colour basis."""

from __future__ import annotations

import dataclasses
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
from inkstrain.targets.spaces import profile_description
from inkstrain.targets.values import read_value

from .basis import Basis, scan_basis
from .bedlight import BedLight, evened, light_flags
from .exchange import Readings
from .fitmodel import (
    BorrowedFrom,
    Decoding,
    FitConditions,
    FitPoint,
    Measurement,
    ScannerFit,
    SuspectPatch,
    WorstPatch,
)
from .fitting import LEAST_PATCHES, Chosen, FitCorrection, choose
from .misreadings import likely_mistake
from .model import ColourBasis, Residual
from .patches import patch_means
from .placement import locate
from .rendering import Rendering
from .sampling import open_window
from .scanfile import open_scan

__all__ = ["ScannedPatches", "borrow_fit", "fit_basis", "fit_from_readings", "read_fit", "scan_patches"]

Array = NDArray[np.float64]

_WORST: Final = 5
_SAME_DECODING: Final = 2e-3
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
            decodings.append(_decoding(basis))
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
    if any(not _same(decodings[0], other) for other in decodings[1:]):
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


def _decoding(basis: Basis) -> Decoding:
    codes = np.array(list(itertools.product((8000, 30000, 65535), repeat=3)), dtype=np.uint16)
    values = basis.linear(codes[None])[0].astype(np.float64)
    xyz = (values @ basis.matrix.T).round(6)
    return Decoding(note=profile_description(basis.profile), check_xyz=tuple(tuple(row) for row in xyz.tolist()))


def _same(a: Decoding, b: Decoding) -> bool:
    return bool(np.abs(np.array(a.check_xyz) - np.array(b.check_xyz)).max() < _SAME_DECODING)


def read_fit(path: Path) -> ScannerFit:
    """Read a fit from its JSON file.

    Raises
    ------
    CannotMeasureError
        If the file cannot be read or is not a scanner fit.
    """
    return read_value(path, ScannerFit, "scanner fit", ". 'inkstrain fit-scanner' writes one.")


def fit_basis(fit: ScannerFit, icc: bytes | None, name: str) -> Basis:
    """Return a fit as the basis of a scan, given its embedded profile; the scan's name is for messages.

    Raises
    ------
    CannotMeasureError
        If the scan's codes mean something else than those the fit was made from.
    """
    plain = scan_basis(icc, name)
    if not _same(_decoding(plain), fit.decoding):
        raise CannotMeasureError(
            f"{name}: the scanner fit was made from scans with another colour profile or none. Scan with the settings "
            "of the fit, or make a fit with these."
        )
    described = ColourBasis(
        kind=fit.kind,
        residual_de00=Residual(
            median=fit.residual_de00.median,
            p95=fit.residual_de00.p95,
            rms=fit.residual_de00.rms,
            difference_share=fit.residual_de00.difference_rms_share,
        ),
        note=_note(fit),
    )
    correction = FitCorrection(fit.method, fit.linearisation, np.array(fit.matrix))
    return dataclasses.replace(plain, described=described, correction=correction)


def _note(fit: ScannerFit) -> str:
    things = [text for text in (fit.conditions.paper, fit.conditions.ink, fit.conditions.scanner) if text]
    belongs = f" for {', '.join(things)}" if things else ""
    if fit.borrowed_from is not None:
        return (
            f"The scanner was fitted to what the printer profile {fit.borrowed_from.profile} says of {fit.patches} "
            f"patches{belongs}, in an instrument's stead: borrowed. Good for widths, order and differences between "
            "prints; absolute colours are the profile's, not measured."
        )
    return f"The scanner was fitted to {fit.patches} measured patches{belongs}."

"""Which colour basis was asked for: a scanner profile, a scanner fit, or what the scan itself carries."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from inkstrain.targets.errors import CannotMeasureError, WrongUsageError

from ..results.fit import ScannerFit
from .basis import Basis, given_profile_basis, scan_basis
from .scannerfit import fit_basis, read_fit

__all__ = ["BasisChoice", "chosen_basis"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BasisChoice:
    """A profile or a fit, or neither: then each scan's own embedded profile is used, and sRGB where there is none."""

    profile: Basis | None = None
    fit: ScannerFit | None = None

    def of(self, icc: bytes | None, name: str) -> Basis:
        """Return the basis of a scan from its embedded profile and its name."""
        if self.fit is not None:
            return fit_basis(self.fit, icc, name)
        return self.profile or scan_basis(icc, name)


def chosen_basis(scanner_profile: Path | None, scanner_fit: Path | None) -> BasisChoice:
    """Read what was asked for.

    Raises
    ------
    WrongUsageError
        If both were given.
    CannotMeasureError
        If the profile or the fit cannot be used.
    """
    if scanner_profile is not None and scanner_fit is not None:
        raise WrongUsageError("Give --scanner-profile or --scanner-fit, not both.")
    if scanner_fit is not None:
        return BasisChoice(fit=read_fit(scanner_fit))
    if scanner_profile is None:
        return BasisChoice()
    try:
        data = scanner_profile.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"The scanner profile {scanner_profile} cannot be read: {error.strerror}.") from error
    return BasisChoice(profile=given_profile_basis(data, str(scanner_profile)))

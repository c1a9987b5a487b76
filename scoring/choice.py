"""Which colour basis was asked for: a scanner profile, a scanner fit, or what the scan itself carries."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from inkstrain.targets.errors import CannotMeasureError, WrongUsageError

from .basis import Basis, given_profile_basis, scan_basis
from .scannerfit import fit_basis, read_fit

__all__ = ["chosen_basis"]


def chosen_basis(scanner_profile: Path | None, scanner_fit: Path | None) -> Callable[[bytes | None, str], Basis]:
    """Return what gives a scan's basis from its embedded profile and its name.

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
        return partial(fit_basis, read_fit(scanner_fit))
    if scanner_profile is None:
        return scan_basis
    try:
        data = scanner_profile.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"The scanner profile {scanner_profile} cannot be read: {error.strerror}.") from error
    basis = given_profile_basis(data, str(scanner_profile))
    return lambda _icc, _name: basis

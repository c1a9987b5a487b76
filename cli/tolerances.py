"""``inkstrain tolerances``: a tolerances file to start from."""

from __future__ import annotations

from .files import print_data

__all__ = ["tolerances"]


def tolerances() -> None:
    """Print the default limits as a file to change and give to 'score --tolerances'."""
    from inkstrain.scoring.judge.tolerances import EXAMPLE_TOLERANCES

    print_data(EXAMPLE_TOLERANCES)

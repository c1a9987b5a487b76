"""A forecast, whole: numbers and advice."""

from __future__ import annotations

from inkstrain.targets.outputprofile import OutputProfile
from inkstrain.targets.recipe import Recipe

from ..promise.forecast import forecast
from ..results.forecast import Forecast
from ..words.advice import in_words

__all__ = ["forecast_chart"]


def forecast_chart(recipe: Recipe, profile: OutputProfile) -> Forecast:
    """Return what a profile predicts for a chart, with advice; errors as of `forecast`."""
    return in_words(forecast(recipe, profile))

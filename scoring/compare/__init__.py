"""Prints beside each other: totals, noise, claims that stand."""

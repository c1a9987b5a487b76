"""A score under tolerances, and the printer's health."""

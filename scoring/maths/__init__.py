"""Plain numerical methods that know nothing of prints: least squares, smallest places, scoring segments."""

"""Photographs: where in a photographer's own pictures two ways of printing differ, or one misses what was asked."""

"""Prints one after the other: control charts."""

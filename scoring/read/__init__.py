"""Scan files: their pixels, a window at a time, and a small overview."""

"""Where a tile lies in its scan: codes, marks, and the local map from chart to scan."""

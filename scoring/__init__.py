"""What is measured: scans are read, placed, measured, judged, compared and reported."""

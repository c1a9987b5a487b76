"""From a placed tile to findings: sampling, courses, fades, hue sweeps, wedges, patches."""

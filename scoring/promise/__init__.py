"""What the printer's profile says will come out: attainable colours, causes, forecasts."""

"""What an eye sees: contrast sensitivity at a distance and in a light."""

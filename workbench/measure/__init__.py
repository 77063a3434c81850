"""Measurements: pure functions from arrays to numbers, and the star list."""

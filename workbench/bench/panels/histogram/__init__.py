"""Counts of pixels by value, with the line and the curve of the step that makes light a picture."""

"""The picture: zoom, exact pixels, before and after, overlays, and what is drawn on it."""

"""Real frames, and what must and must not happen to them."""

"""The parts of deconvolution: what is measured, the kernel between two point spreads, and the restoration of a tile."""

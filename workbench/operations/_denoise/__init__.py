"""The parts of noise reduction: the noise model, compiled kernels and their plain twins, the way through a tile."""

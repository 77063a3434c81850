"""The parts of noise reduction: the noise model, the compiled kernels, their plain twins, and the way through a tile."""

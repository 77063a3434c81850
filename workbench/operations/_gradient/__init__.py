"""The parts of gradient removal: samples of the sky, smooth surfaces, the choice between them, and painting one."""

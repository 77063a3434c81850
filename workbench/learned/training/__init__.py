"""Trains the network that takes stars off: scenes, network and training, from seeds. Needs PyTorch."""

"""What a lens does to a frame, as array functions: channels at scales of their own, dark corners."""

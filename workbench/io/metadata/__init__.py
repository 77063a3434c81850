"""What travels beside the pixels: packets, headers, side files, sky solutions and color profiles."""

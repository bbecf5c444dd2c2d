"""Arrays in, arrays out, factors always coded to [-1, 1]; no labels, no files, no randomness but a passed generator."""

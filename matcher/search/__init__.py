"""Leading the optimiser through a voice."""

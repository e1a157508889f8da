"""The analyser against brute force, published values and its own rules."""

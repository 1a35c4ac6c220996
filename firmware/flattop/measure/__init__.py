"""From Samples to a Reading with its uncertainty and its verdict on the shape: pure functions, no clock, no files."""

"""A simulated door with known truth, independent of the server's mathematics."""

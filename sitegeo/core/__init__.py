"""What every room speaks: grids, layer contracts, steps, wind, files. Knows nothing of hunting."""

"""Many waters at once: a region surveyed tile by tile on Dask, its blinds ranked together."""

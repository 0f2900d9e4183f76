"""The processing provider for a desktop GIS: what there is to run, told; and its plugin."""

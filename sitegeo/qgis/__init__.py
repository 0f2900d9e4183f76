"""The processing provider for QGIS: what there is to run, described for it; and its plugin."""

"""The map: one HTML file that opens from disk, with no network, by day and by night."""

from sitegeo.webmap.page import MapContent, render

__all__ = ["MapContent", "render"]

"""The card's place on earth: what a map reader needs to show where one stands on the drawing."""

from __future__ import annotations

import math
from typing import Any

from pyproj import Geod
from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFName, PDFString

from sitegeo.core.grid import WGS84
from sitegeo.export.card_chart import ChartFrame

_GEOD = Geod(ellps="WGS84")
_CORNERS = ((0, 0), (0, 1), (1, 1), (1, 0))
"""Of the drawing, as shares of its width and height."""


def add_map_frame(canvas: Any, frame: ChartFrame, lat: float, lon: float) -> None:
    """Lay a geospatial viewport over the drawing of a canvas's last finished page.

    Source: ISO 32000-2:2020, 12.9 (measurement properties) and 12.10 (geospatial features).

    Parameters
    ----------
    canvas
        A reportlab canvas.
    frame
        The drawing: metres from the hide, true north up.
    lat, lon
        The hide, WGS 84.
    """
    # As text, since reportlab rounds a number to six digits.
    places = [f"{v:.8f}" for share in _CORNERS for v in _place(frame, lat, lon, share)]
    shares = PDFArray([v for share in _CORNERS for v in share])
    system = {
        "Type": PDFName("GEOGCS"),
        "EPSG": 4326,
        "WKT": PDFString(WGS84.to_wkt("WKT1_GDAL")),
    }
    measure = {
        "Type": PDFName("Measure"),
        "Subtype": PDFName("GEO"),
        "Bounds": shares,
        "GPTS": PDFArray(places),
        "LPTS": shares,
        "GCS": PDFDictionary(system),
    }
    viewport = {
        "Type": PDFName("Viewport"),
        "Name": PDFString("plan"),
        "BBox": PDFArray([frame.x, frame.y, frame.x + frame.width, frame.y + frame.height]),
        "Measure": PDFDictionary(measure),
    }
    page = canvas._doc.Pages[-1]
    page.VP = PDFArray([PDFDictionary(viewport)])
    page.__NoDefault__ = [*page.__NoDefault__, "VP"]


def _place(
    frame: ChartFrame, lat: float, lon: float, share: tuple[float, float]
) -> tuple[float, float]:
    """Return latitude and longitude of a share of the drawing's width and height."""
    east = (frame.x + share[0] * frame.width - frame.hide[0]) / frame.pt_per_m
    north = (frame.y + share[1] * frame.height - frame.hide[1]) / frame.pt_per_m
    azimuth = math.degrees(math.atan2(east, north))
    there_lon, there_lat, _ = _GEOD.fwd(lon, lat, azimuth, math.hypot(east, north))
    return there_lat, there_lon

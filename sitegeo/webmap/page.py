"""One self-contained HTML document, built on folium, that asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.metadata import files
from importlib.resources import files as package_files

import folium
import jinja2
from branca.element import Figure
from folium.template import Template as FoliumTemplate
from markupsafe import Markup

from sitegeo.errors import MissingExtraError
from sitegeo.export.hatches import HATCHES
from sitegeo.webmap.content import MapContent
from sitegeo.webmap.page_data import focus_point, json_for_script, page_data
from sitegeo.webmap.photo import PhotoImage, photo_images

__all__ = ["MapContent", "render"]

PAGE_BYTES = 6_000_000
"""The whole page stays within this; the photo takes what the rest leaves."""

_MARKUP_BYTES = 20_000
"""Room kept for the page's own markup and the map's options."""

_SCRIPTS = (
    *("symbols.js", "letters.js", "geodesy.js", "frame.js", "wind.js", "measure.js"),
    *("chart.js", "sheet.js", "page.js"),
)


class _Sheet(folium.Map):
    """A folium map on our own sheet: its place in the page and its zooming are left to the page."""

    _template = FoliumTemplate(
        """
        {% macro script(this, kwargs) %}
            var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }},
                {center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }}});
            {{ this.get_name() }}.createPane("photo").style.zIndex = 200;
        {% endmacro %}
        """
    )


def render(content: MapContent) -> str:
    """Return the page of a plan as one HTML document; same content, same bytes.

    Raises
    ------
    CrsError
        If the frames have no metric CRS in common.
    MissingExtraError
        If the installed package that holds Leaflet's files lacks them.
    """
    values = page_data(content)
    parts = {
        "leaflet_style": _leaflet("leaflet.css"),
        "own_style": _own("page.css"),
        "leaflet_script": _leaflet("leaflet.js"),
        "own_script": "\n".join(_own(name) for name in _SCRIPTS),
        "hatches": json_for_script(HATCHES),
        "data": json_for_script(values),
    }
    rest = sum(len(text.encode()) for text in parts.values()) + _MARKUP_BYTES
    photo = (
        photo_images(content.photo, budget_bytes=PAGE_BYTES - rest, focus=focus_point(content))
        if content.photo is not None
        else []
    )
    sheet = _sheet(photo, values["extent"])
    return _page_template().render(
        title=content.title,
        map_id=sheet.get_name(),
        map_script=Markup(_start_script(sheet)),
        **{name: Markup(text) for name, text in parts.items()},
    )


def _page_template() -> jinja2.Template:
    pages = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, keep_trailing_newline=True
    )
    pages.filters["csp_hash"] = _csp_hash
    return pages.from_string(_own("page.html.jinja"))


def _csp_hash(text: str) -> Markup:
    """Return the word by which a Content Security Policy lets in one script or style."""
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return Markup(f"'sha256-{digest}'")


def _start_script(sheet: _Sheet) -> str:
    """Return the script that makes folium's map with what is on it, and starts ours."""
    sheet.render()  # type: ignore[no-untyped-call]
    figure = sheet.get_root()
    assert isinstance(figure, Figure)
    return f"{figure.script.render()}\nsitegeo.start({sheet.get_name()});\n"


def _sheet(photo: list[PhotoImage], extent: list[list[float]]) -> _Sheet:
    (south, west), (north, east) = extent
    sheet = _Sheet(
        location=[round((south + north) / 2, 6), round((west + east) / 2, 6)],
        tiles=None,
        zoom_start=15,
        zoom_snap=0.25,
        zoom_delta=0.5,
        min_zoom=9,
        max_zoom=22,
        zoom_control=False,
        attribution_control=False,
    )
    sheet._id = "sheet"
    sheet.default_js, sheet.default_css = [], []
    for number, picture in enumerate(photo):
        overlay = folium.raster_layers.ImageOverlay(
            picture.uri, picture.bounds, pixelated=False, pane="photo", alt="aerial photo"
        )
        overlay._id = f"photo{number}"
        overlay.add_to(sheet)
    return sheet


def _leaflet(name: str) -> str:
    """Return a file of the installed Leaflet, without what it would load from beside itself."""
    for path in files("XStatic-Leaflet") or []:
        if path.name == name:
            text = str(path.read_text(encoding="utf-8"))
            break
    else:
        raise MissingExtraError(
            "Leaflet's files are not installed", value=name, remedy="Install XStatic-Leaflet"
        )
    text = re.sub(r"url\(images/[^)]*\)", "none", text)
    return re.sub(r"//# sourceMappingURL=\S+", "", text)


def _own(name: str) -> str:
    return package_files("sitegeo.webmap").joinpath(name).read_text(encoding="utf-8")

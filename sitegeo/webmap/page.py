"""One self-contained HTML document, built on folium, that asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from importlib.metadata import files
from importlib.resources import files as package_files
from typing import Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.template import Template as FoliumTemplate

from sitegeo.errors import MissingExtraError
from sitegeo.webmap.chart import as_json, focus, page_data
from sitegeo.webmap.content import MapContent
from sitegeo.webmap.photo import Picture, pictures

__all__ = ["MapContent", "render"]

PAGE_BYTES = 6_000_000
"""The whole page stays within this; the photo takes what the rest leaves."""

_SCRIPTS = (
    *("symbols.js", "letters.js", "geodesy.js", "frame.js", "wind.js", "measure.js"),
    *("chart.js", "sheet.js", "page.js"),
)
_POLICY = "content-security-policy-goes-here"


class _Text(Element):
    """Text put on the page as it is: never read as a template."""

    _template = FoliumTemplate("{{ this.text }}")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text


class _Sheet(folium.Map):
    """A folium map on our own sheet: no linked scripts or styles, zooming left to the reader."""

    _template = FoliumTemplate(
        """
        {% macro header(this, kwargs) %}
            <meta name="viewport" content="width=device-width, initial-scale=1">
        {% endmacro %}
        {% macro html(this, kwargs) %}
            <main class="sheet">
              <section class="chart" aria-label="Chart">
                <div class="frame">
                  <div id={{ this.get_name()|tojson }} class="folium-map"></div>
                </div>
              </section>
              <section class="title-block" id="title-block" aria-label="Plan in words"></section>
            </main>
            <noscript>This chart is drawn by the script inside this file.</noscript>
        {% endmacro %}
        {% macro script(this, kwargs) %}
            var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }},
                {center: {{ this.location|tojson }}, ...{{ this.options|tojavascript }}});
            {{ this.get_name() }}.createPane("photo").style.zIndex = 200;
        {% endmacro %}
        """
    )


class _Start(MacroElement):
    """The call that starts our script, after folium has made the map and what is on it."""

    _template = FoliumTemplate(
        "{% macro script(this, kwargs) %}"
        "sitegeo.start({{ this._parent.get_name() }});"
        "{% endmacro %}"
    )

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]


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
    data = as_json(values)
    script, style = _leaflet("leaflet.js"), _leaflet("leaflet.css")
    own_script = "\n".join(_own(name) for name in _SCRIPTS)
    own_style = _own("page.css")
    rest = sum(len(t.encode()) for t in (data, script, style, own_script, own_style)) + 20_000
    photo = (
        pictures(content.photo, budget_bytes=PAGE_BYTES - rest, focus=focus(content))
        if content.photo is not None
        else []
    )
    sheet = _sheet(photo, values["extent"])
    figure = sheet.get_root()
    assert isinstance(figure, Figure)
    figure.title = html.escape(content.title)
    for name, text in {
        "policy": f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
        "leaflet_style": f"<style>{style}</style>",
        "style": f"<style>{own_style}</style>",
        "leaflet_script": f"<script>{script}</script>",
        "script": f"<script>{own_script}</script>",
    }.items():
        figure.header.add_child(_Text(text), name=name)
    figure.html.add_child(
        _Text(f'<script type="application/json" id="sheet-data">{data}</script>'), name="data"
    )
    return _sealed(figure.render().replace("<html>", '<html lang="en">', 1))


def _sheet(photo: list[Picture], extent: list[list[float]]) -> _Sheet:
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
    _Start().add_to(sheet)
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


def _sealed(text: str) -> str:
    """Return the page with a policy that lets in its own scripts and styles and nothing else."""

    def hashes(tag: str) -> str:
        bodies: list[Any] = re.findall(f"<{tag}>(.*?)</{tag}>", text, flags=re.DOTALL)
        digests = (hashlib.sha256(b.encode()).digest() for b in bodies)
        return " ".join(f"'sha256-{base64.b64encode(d).decode()}'" for d in digests)

    policy = (
        f"default-src 'none'; script-src {hashes('script')}; style-src {hashes('style')}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    return text.replace(_POLICY, policy, 1)

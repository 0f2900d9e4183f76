"""The provider: algorithms and forms made at run time from what sitegeo says of itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from qgis.core import (
    Qgis,
    QgsApplication,
    QgsCategorizedSymbolRenderer,
    QgsGraduatedSymbolRenderer,
    QgsMessageLog,
    QgsPalettedRasterRenderer,
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputFolder,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
    QgsProcessingProvider,
    QgsProviderRegistry,
    QgsRasterLayer,
    QgsRendererCategory,
    QgsRendererRange,
    QgsSymbol,
    QgsVectorLayer,
)
from qgis.PyQt.QtGui import QColor

from . import child

RESULT = "result"


class Plugin:
    """What QGIS loads."""

    def __init__(self) -> None:
        self.provider: Any = None

    def initProcessing(self) -> None:  # noqa: N802
        """Add the provider; all that `qgis_process` calls."""
        self.provider = Provider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:  # noqa: N802
        """Add the provider."""
        self.initProcessing()

    def unload(self) -> None:
        """Take it away again."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)


class Provider(QgsProcessingProvider):
    """Everything sitegeo offers, asked anew each time, so that a new step shows up by itself."""

    def id(self) -> str:
        """Return the word before each algorithm's."""
        return "sitegeo"

    def name(self) -> str:
        """Return the name shown."""
        return "sitegeo"

    def loadAlgorithms(self) -> None:  # noqa: N802
        """Add an algorithm for each verb and step."""
        try:
            described = child.describe()
        except (child.ChildError, ValueError, OSError) as error:
            QgsMessageLog.logMessage(str(error), "sitegeo", Qgis.Critical)
            return
        for entry in described["algorithms"]:
            self.addAlgorithm(Algorithm(entry, described["styles"]))


class Algorithm(QgsProcessingAlgorithm):
    """One verb or step, as sitegeo describes it."""

    def __init__(self, entry: dict[str, Any], styles: list[dict[str, Any]]) -> None:
        super().__init__()
        self._entry = entry
        self._styles = styles

    def createInstance(self) -> Algorithm:  # noqa: N802
        """Return another of the same."""
        return Algorithm(self._entry, self._styles)

    def name(self) -> str:
        """Return its id."""
        return str(self._entry["id"])

    def displayName(self) -> str:  # noqa: N802
        """Return its name."""
        return str(self._entry["name"])

    def group(self) -> str:
        """Return the name of its group."""
        return str(self._entry["group"])

    def groupId(self) -> str:  # noqa: N802
        """Return the id of its group."""
        return self.group().lower().replace(" ", "_")

    def shortHelpString(self) -> str:  # noqa: N802
        """Return what it does."""
        return str(self._entry["help"])

    def initAlgorithm(self, _configuration: Any = None) -> None:  # noqa: N802
        """Build the form."""
        for described in self._entry["parameters"]:
            parameter = _qgis_parameter(described)
            if described["kind"] in ("vector", "raster") or described["name"].startswith("set_"):
                advanced = QgsProcessingParameterDefinition.FlagAdvanced
                parameter.setFlags(parameter.flags() | advanced)
            self.addParameter(parameter)
            if described["kind"] == "out":
                self.addOutput(QgsProcessingOutputFolder(f"{described['name']}_folder", "Results"))
        if self._entry["json"]:
            self.addParameter(
                QgsProcessingParameterFileDestination(
                    RESULT, "Answer as JSON", "JSON (*.json)", optional=True
                )
            )
        self.addOutput(QgsProcessingOutputString("text", "What it printed"))

    def processAlgorithm(  # noqa: N802
        self, parameters: dict[str, Any], context: Any, feedback: Any
    ) -> dict[str, Any]:
        """Run it in sitegeo's own environment and have its results loaded.

        Parameters
        ----------
        parameters
            What the form holds, by name.
        context, feedback
            QGIS's own, for layers and progress.

        Returns
        -------
        dict
            `text` that was printed, `out_folder` of the results, `result` where JSON was asked;
            empty where it was cancelled.

        Raises
        ------
        QgsProcessingException
            With what sitegeo said, where it failed.
        """
        words = list(self._entry["command"])
        outs: list[str] = []
        for described in self._entry["parameters"]:
            value = self._value(described, parameters, context)
            if value is None:
                continue
            if described["kind"] == "out":
                outs.append(value)
            flags = list(described["words"])
            if flags and flags[-1].endswith("="):
                words += [*flags[:-1], flags[-1] + value]
            else:
                words += flags if described["kind"] == "flag" else [*flags, value]
        words += ["--json"] if self._entry["json"] else []
        feedback.pushCommandInfo(" ".join(["sitegeo", *words]))
        try:
            text = child.run(
                words,
                answers=self._entry["answers"],
                on_progress=lambda line: _progress(line, feedback),
                on_word=feedback.pushInfo,
                cancelled=feedback.isCanceled,
            )
        except child.Cancelled:
            return {}
        except child.ChildError as error:
            raise QgsProcessingException(str(error)) from None
        found: dict[str, Any] = {"text": text}
        if self._entry["json"]:
            path = self.parameterAsFileOutput(parameters, RESULT, context)
            if path:
                Path(path).write_text(text + "\n", encoding="utf-8")
                found[RESULT] = path
                _load_points(path, text, self.displayName(), context, self._styles)
        for folder in outs:
            found["out"] = found["out_folder"] = folder
            _load(Path(folder), context, self._styles)
        return found

    def _value(  # noqa: PLR0911
        self, described: dict[str, Any], parameters: dict[str, Any], context: Any
    ) -> str | None:
        """Return a parameter as a word of the command line, None where it was not given."""
        name, kind = described["name"], described["kind"]
        if kind == "flag":
            return "" if self.parameterAsBool(parameters, name, context) else None
        if kind == "out":
            return str(self.parameterAsString(parameters, name, context))
        if parameters.get(name) in (None, ""):
            return None
        if kind == "flag_value":
            given = "true" if self.parameterAsBool(parameters, name, context) else "false"
            return None if (given == "true") == described["default"] else given
        if kind == "choice":
            index = self.parameterAsEnum(parameters, name, context)
            return str(described["choices"][index])
        if kind == "vector":
            path, layer = self.parameterAsCompatibleSourceLayerPathAndLayerName(
                parameters, name, context, ["gpkg"]
            )
            return f"{path}|layername={layer}" if layer else str(path)
        if kind == "raster":
            return str(self.parameterAsRasterLayer(parameters, name, context).source())
        if kind == "integer":
            text = str(self.parameterAsInt(parameters, name, context))
        elif kind == "number":
            text = repr(self.parameterAsDouble(parameters, name, context))
        else:
            text = str(self.parameterAsString(parameters, name, context))
        # What was left as it was is not repeated, so that the defaults stay sitegeo's.
        same = described["default"] is not None and text == str(described["default"])
        return None if same else text


def _qgis_parameter(described: dict[str, Any]) -> Any:  # noqa: PLR0911
    """Return the parameter that asks for what was described."""
    name, kind, default = described["name"], described["kind"], described["default"]
    label = described["help"] or name.replace("_", " ")
    optional = not described["required"]
    if kind in ("flag", "flag_value"):
        return QgsProcessingParameterBoolean(name, label, bool(default), optional)
    if kind == "out":
        return QgsProcessingParameterFolderDestination(name, label)
    if kind in ("file", "folder"):
        behaviour = (
            QgsProcessingParameterFile.File if kind == "file" else QgsProcessingParameterFile.Folder
        )
        return QgsProcessingParameterFile(name, label, behaviour, "", default, optional)
    if kind == "choice":
        chosen = described["choices"].index(default) if default in described["choices"] else None
        return QgsProcessingParameterEnum(
            name, label, described["choices"], False, chosen, optional
        )
    if kind == "vector":
        return QgsProcessingParameterVectorLayer(
            name, label, [QgsProcessing.TypeVectorAnyGeometry], None, optional
        )
    if kind == "raster":
        return QgsProcessingParameterRasterLayer(name, label, None, optional)
    if kind in ("integer", "number"):
        whole = kind == "integer"
        kinds = QgsProcessingParameterNumber
        asked = kinds(name, label, kinds.Integer if whole else kinds.Double, default, optional)
        if described.get("least") is not None:
            asked.setMinimum(described["least"])
        if described.get("most") is not None:
            asked.setMaximum(described["most"])
        return asked
    return QgsProcessingParameterString(name, label, default, False, optional)


def _progress(line: str, feedback: Any) -> None:
    share, _, words = line.partition(" ")
    try:
        feedback.setProgress(100 * float(share))
    except ValueError:
        words = line
    feedback.setProgressText(words)


def _load(folder: Path, context: Any, styles: list[dict[str, Any]]) -> None:
    """Have the layers of a results folder loaded; a style in the GeoPackage itself comes first."""
    for path in sorted(folder.glob("*.gpkg")):
        sub = QgsProviderRegistry.instance().providerMetadata("ogr").querySublayers(str(path))
        for layer in sub:
            if layer.name() != "layer_styles":
                made = QgsVectorLayer(layer.uri(), layer.name(), "ogr")
                _add(made, context, styles, layer.name())
    for path in sorted(folder.glob("*.tif")):
        _add(QgsRasterLayer(str(path), path.stem), context, styles, path.stem)


def _load_points(
    path: str, text: str, title: str, context: Any, styles: list[dict[str, Any]]
) -> None:
    """Have blinds in an answer loaded as points."""
    rows = json.loads(text).get("blinds", []) if text.startswith("{") else []
    rows = [row for row in rows if "lon" in row and "lat" in row]
    if not rows:
        return
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [row["lon"], row["lat"]]},
            "properties": {
                k: v for k, v in row.items() if isinstance(v, (str, int, float, type(None)))
            },
        }
        for row in rows
    ]
    beside = Path(path).with_suffix(".geojson")
    beside.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    _add(QgsVectorLayer(str(beside), title, "ogr"), context, styles, "blinds")


def _add(layer: Any, context: Any, styles: list[dict[str, Any]], name: str) -> None:
    if not layer.isValid():
        return
    for style in styles:
        if style["layer"] == name:
            layer.setRenderer(_renderer(layer, style))
    context.temporaryLayerStore().addMapLayer(layer)
    details = QgsProcessingContext.LayerDetails(layer.name(), context.project(), layer.name())
    context.addLayerToLoadOnCompletion(layer.id(), details)


def _renderer(layer: Any, style: dict[str, Any]) -> Any:
    """Return how a layer is drawn, as sitegeo says."""
    classes = style["classes"]
    if style["field"] is None:
        kinds = QgsPalettedRasterRenderer.Class
        coded = [kinds(c["value"], QColor(*c["colour"]), c["label"]) for c in classes]
        return QgsPalettedRasterRenderer(layer.dataProvider(), 1, coded)
    made = []
    for one in classes:
        symbol = QgsSymbol.defaultSymbol(layer.geometryType())
        symbol.setColor(QColor(*one["colour"]))
        if "value" in one:
            made.append(QgsRendererCategory(one["value"], symbol, one["label"]))
        else:
            made.append(QgsRendererRange(one["least"], one["most"], symbol, one["label"]))
    if "value" in classes[0]:
        return QgsCategorizedSymbolRenderer(style["field"], made)
    return QgsGraduatedSymbolRenderer(style["field"], made)

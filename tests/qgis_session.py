"""Run by QGIS's own Python: the provider loaded, a step run on a layer, results styled, as JSON."""

import json
import sys
from importlib import import_module
from pathlib import Path

from qgis.core import (
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
)

plugins, place, water, survey, out = sys.argv[1:]
app = QgsApplication([], False)
app.initQgis()
sys.path.insert(0, plugins)
child, provider = (import_module(f"sitegeo_provider.{n}") for n in ("child", "provider"))
registry = QgsApplication.processingRegistry()
registry.addProvider(provider.Provider())
context = QgsProcessingContext()
context.setProject(QgsProject.instance())


def run(name, **parameters):
    """Run an algorithm; return whether it went well and what it said."""
    feedback = QgsProcessingFeedback(False)
    _, fine = registry.algorithmById(f"sitegeo:{name}").run(parameters, context, feedback)
    return {"fine": fine, "said": feedback.textLog()}


told = {
    "step": run(
        "step_extra_step_water_edges", source=place, layer_water=f"{water}|layername=water", out=out
    ),
    "wrong": run("rank", survey=out, wind="NW 12 mph"),
}
provider._load(Path(survey), context, child.describe()["styles"])
layers = {v.name(): v for v in context.temporaryLayerStore().mapLayers().values()}
cover, positions = (layers[name].renderer() for name in ("cover", "positions"))
told["cover"] = [cover.type(), [c.label for c in cover.classes()]]
told["positions"] = [positions.type(), [c.label() for c in positions.categories()]]
Path(out, "told.json").write_text(json.dumps(told))
app.exitQgis()

"""sitegeo step."""

from __future__ import annotations

from pathlib import Path

import click

from sitegeo.cli import options


def _pairs(_ctx: click.Context, param: click.Parameter, given: tuple[str, ...]) -> dict[str, str]:
    pairs = [text.partition("=") for text in given]
    if odd := [text for text, (_, sign, value) in zip(given, pairs, strict=True) if not value]:
        raise click.BadParameter(f"'{odd[0]}' is not NAME=VALUE", param=param)
    return {name.strip(): value.strip() for name, _, value in pairs}


@click.command("step")
@click.argument("name")
@click.argument("source", type=options.PATH, metavar="PLACE.toml|SURVEY")
@click.option("--wind", metavar="WIND", help="For a step that needs one.")
@click.option(
    "--set", "given", multiple=True, callback=_pairs, metavar="NAME=VALUE", help="A parameter."
)
@click.option(
    "--layer",
    "layers",
    multiple=True,
    callback=_pairs,
    metavar="NAME=FILE",
    help="A layer of your own in place of the one found.",
)
@options.out()
@options.overwrite
@options.quiet
def command(
    *,
    name: str,
    source: Path,
    wind: str | None,
    given: dict[str, str],
    layers: dict[str, str],
    out: Path,
    overwrite: bool,
    quiet: bool,
) -> None:
    """Run one step on a place, or on a survey, and write the layers it makes.

    What the step needs is made first. 'sitegeo steps' lists the steps.
    """
    from sitegeo.core.output import replacing, require_free
    from sitegeo.core.store import write_json
    from sitegeo.core.wind import Wind
    from sitegeo.surveys.pipeline import find_step
    from sitegeo.surveys.single_step import run_step, with_settings, write_layers

    marker = "step.json"
    require_free(out.absolute(), marker, overwrite=overwrite)
    blowing = None if wind is None else Wind.parse(wind)
    step = with_settings(find_step(name), given)
    files = {layer: Path(file) for layer, file in layers.items()}
    with options.show_progress(quiet=quiet) as show:
        made = run_step(step, source, wind=blowing, layers=files, on_step=show)
        with replacing(out, marker, overwrite=overwrite) as new:
            write_layers(made, new)
            write_json(new / marker, {"step": step.full_name, "made": list(step.made)})
    options.say(f"{', '.join(step.made)}: written to {out}", quiet=quiet)

"""The one runner of steps: for a survey, a morning, many winds, changed layers, one step alone.

Every verb goes through here, so that a step another package adds or replaces is felt by all.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from sitegeo.core import steps
from sitegeo.core.contracts import ValueContract
from sitegeo.core.inputs import MORNING_INPUTS, PLACE_INPUTS
from sitegeo.core.steps import Step, StepRun
from sitegeo.core.wind import Wind
from sitegeo.errors import StepError

Recall = Callable[[Step[..., Any], str], tuple[Any, ...] | None]
"""Gives the results of a step kept from an earlier run under the same key, if any."""


def every_step() -> tuple[Step[..., Any], ...]:
    """Return the installed steps in an order that meets their needs, those of a morning too."""
    return steps.resolve(steps.installed(), have=PLACE_INPUTS | MORNING_INPUTS)


def find_step(name: str) -> Step[..., Any]:
    """Return an installed step by name; raises `StepError` for an unknown one."""
    found = {s.name: s for s in steps.installed()}
    if name not in found:
        raise StepError(
            "no such step is installed", value=name, remedy="'sitegeo steps' lists them"
        )
    return found[name]


def code_keys() -> list[str]:
    """Return a key of each installed step that changes with its code and parameters."""
    return [steps.step_key(s, {}) for s in steps.installed()]


def run_for_place(
    given: Mapping[str, Any],
    keys: Mapping[str, str],
    *,
    recall: Recall,
    on_step: Callable[[str], None],
) -> StepRun:
    """Run every installed step that needs nothing of a morning.

    Parameters
    ----------
    given, keys
        What a place brings, and a key of each one's content.
    recall
        Where results of an earlier run are taken from.
    on_step
        Called with the name of each step before it runs.

    Returns
    -------
    StepRun
        All layers, and a record of each step.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    order = steps.resolve(steps.installed(), have=given, later=MORNING_INPUTS)
    return steps.run(order, given, keys, recall=recall, on_step=lambda s: on_step(s.name))


def make_layers(given: Mapping[str, Any], want: Iterable[str]) -> dict[str, Any]:
    """Return layers that need nothing of a morning, made by the installed steps.

    Parameters
    ----------
    given
        What is at hand by name; where it already holds a wanted layer that one is given back.
    want
        Names of the layers to make.

    Returns
    -------
    dict
        The wanted layers by name.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    names = tuple(want)
    order = steps.resolve(steps.installed(), have=given, later=MORNING_INPUTS, want=names)
    made = steps.run(order, given, {}).layers
    return {name: made[name] for name in names}


def run_one(
    step: Step[..., Any],
    given: Mapping[str, Any],
    *,
    on_step: Callable[[str], None] = lambda _name: None,
) -> dict[str, Any]:
    """Return the layers one step makes, running what it needs before it.

    Parameters
    ----------
    step
        Instead of whichever installed one makes its layers.
    given
        What is at hand by name; what the step makes is made anew all the same.
    on_step
        Called with the name of each step before it runs.

    Returns
    -------
    dict
        The layers the step makes, by name.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    have = {name: layer for name, layer in given.items() if name not in step.made}
    others = [s for s in steps.installed() if not set(s.made) & set(step.made)]
    order = steps.resolve([*others, step], have=have, want=step.made)
    made = steps.run(order, have, {}, on_step=lambda s: on_step(s.name)).layers
    return {name: made[name] for name in step.made}


@dataclass(frozen=True)
class Morning:
    """The steps left to run for a morning, those that no wind changes run once.

    Parameters
    ----------
    order
        The steps, in an order that meets their needs.
    at_hand
        What they are given, the wind aside.
    each_wind
        Names that are given anew with each wind, the wind among them.
    """

    order: tuple[Step[..., Any], ...]
    at_hand: Mapping[str, Any]
    each_wind: frozenset[str]

    @property
    def made(self) -> tuple[str, ...]:
        """Names of the layers it makes, what steps only hand on to one another left out."""
        contracts = [c for step in self.order for c in step.makes]
        return tuple(c.name for c in contracts if not isinstance(c, ValueContract))

    @cached_property
    def windy(self) -> tuple[Step[..., Any], ...]:
        """The steps whose results hang on the wind, directly or through another."""
        touched, found = set(self.each_wind), []
        for step in self.order:
            if touched & {*step.needs, *step.uses}:
                found.append(step)
                touched |= set(step.made)
        return tuple(found)

    @cached_property
    def windless(self) -> Mapping[str, Any]:
        """What is at hand and what no wind changes, by name."""
        left = [s for s in self.order if s not in self.windy]
        return steps.run(left, self.at_hand, {}).layers

    def given(self, **layers: Any) -> Morning:
        """Return the same steps with other layers of the names they were prepared with."""
        return replace(self, at_hand=ChainMap(layers, self.at_hand))  # type: ignore[arg-type]

    def under(self, wind: Wind, *, verify: bool = True, **given: Any) -> Mapping[str, Any]:
        """Return all layers under a wind.

        Parameters
        ----------
        wind
            The wind.
        verify
            Check each layer against its contract; not again where the same was run for another
            wind.
        **given
            The other names of `each_wind`.

        Returns
        -------
        Mapping
            Layers by name, those at hand too.

        Raises
        ------
        StepError, LayerError
            If a step cannot run or breaks its contract.
        """
        have = ChainMap({"wind": wind, **given}, self.windless)  # type: ignore[arg-type]
        return steps.run(self.windy, have, {}, verify=verify).layers


def prepare(
    layers: Mapping[str, Any],
    given: Mapping[str, Any],
    *,
    done: Iterable[str],
    want: Iterable[str] | None,
    each_wind: Iterable[str] = (),
) -> Morning:
    """Return the steps left for a morning.

    Parameters
    ----------
    layers
        Of the survey, by name; read only when a step asks for them.
    given
        What the morning brings, the wind aside; it goes before the survey's layers.
    done
        Steps that were run, as ``package:name``.
    want
        Layers to make; None for all that can be made.
    each_wind
        Names beside the wind that are given anew with each.

    Returns
    -------
    Morning
        Ready for any wind.

    Raises
    ------
    StepError
        For a need that nothing meets.
    """
    at_hand: Mapping[str, Any] = ChainMap(dict(given), layers)  # type: ignore[arg-type]
    anew = frozenset({"wind", *each_wind})
    order = steps.resolve(steps.installed(skip=done), have={*at_hand, *anew}, want=want)
    return Morning(order, at_hand, anew)

"""timingcam: ignition advance against engine speed, measured from a phone clip of the timing marks under a strobe.

>>> import timingcam
>>> measurement = timingcam.measure("left.mp4", "engine.toml", "left")      # doctest: +SKIP
>>> folder = timingcam.save(measurement, "left-before")                     # doctest: +SKIP
>>> figure = timingcam.plot(timingcam.load("left-before"))                  # doctest: +SKIP
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from timingcam.engine import Engine, read_engine
    from timingcam.errors import CannotMeasure, CannotUse, TimingcamError
    from timingcam.inspecting import inspect
    from timingcam.measure import Options, Pointed, Strobe, measure
    from timingcam.reckoning.fitness import Inspection
    from timingcam.reckoning.result import Measurement
    from timingcam.showing.plots import plot
    from timingcam.showing.results import load, save

__version__ = "0.1.0"

__all__ = [
    "CannotMeasure",
    "CannotUse",
    "Engine",
    "Inspection",
    "Measurement",
    "Options",
    "Pointed",
    "Strobe",
    "TimingcamError",
    "__version__",
    "inspect",
    "load",
    "measure",
    "plot",
    "read_engine",
    "save",
]

# Where each public name lives. Loaded on first use, so that `timingcam --help` does not wait for OpenCV and SciPy.
_HOMES = {
    "CannotMeasure": "timingcam.errors",
    "CannotUse": "timingcam.errors",
    "Engine": "timingcam.engine",
    "Inspection": "timingcam.reckoning.fitness",
    "Measurement": "timingcam.reckoning.result",
    "Options": "timingcam.measure",
    "Pointed": "timingcam.measure",
    "Strobe": "timingcam.measure",
    "TimingcamError": "timingcam.errors",
    "inspect": "timingcam.inspecting",
    "load": "timingcam.showing.results",
    "plot": "timingcam.showing.plots",
    "read_engine": "timingcam.engine",
    "save": "timingcam.showing.results",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'timingcam' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return __all__


class _Package(ModuleType):
    """This package: `timingcam.measure` is the function, although a module has the same name."""

    @property
    def measure(self) -> Any:
        """The function that measures a clip; see `timingcam/measure.py`."""
        return import_module("timingcam.measure").measure

    @measure.setter
    def measure(self, module: ModuleType) -> None:
        # Importing the module sets it as an attribute here, which would hide the function from then on.
        pass


sys.modules[__name__].__class__ = _Package

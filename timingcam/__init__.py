"""timingcam: ignition advance against engine speed, measured from a phone clip of the timing marks under a strobe.

>>> import timingcam
>>> measurement = timingcam.measure("left.mp4", "engine.toml", "left")      # doctest: +SKIP
>>> timingcam.save(measurement, "left-before")                              # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# Where each public name lives. Loaded on first use, so that `timingcam --help` does not wait for OpenCV and SciPy.
_HOMES = {
    "measure": "timingcam.measure",
    "save": "timingcam.showing.results",
    "load": "timingcam.showing.results",
    "plot": "timingcam.showing.plots",
    "read_engine": "timingcam.engine",
}
__all__ = ["__version__", "load", "measure", "plot", "read_engine", "save"]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'timingcam' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)

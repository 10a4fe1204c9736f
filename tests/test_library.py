"""`import timingcam`: the names it promises, and that they are what the commands use."""

from __future__ import annotations

import inspect
import pickle
import subprocess
import sys

import pytest

import timingcam
import timingcam.measure
from timingcam.errors import CannotUse


def test_every_promised_name_is_there() -> None:
    for name in timingcam.__all__:
        assert getattr(timingcam, name) is not None
    assert sorted(dir(timingcam)) == sorted(timingcam.__all__)


def test_every_public_function_says_what_it_takes_and_gives() -> None:
    for name in ("measure", "save", "load", "plot", "read_engine"):
        function = getattr(timingcam, name)
        signature = inspect.signature(function)
        assert signature.return_annotation is not inspect.Signature.empty
        assert all(one.annotation is not inspect.Parameter.empty for one in signature.parameters.values()), name
        for part in ("Parameters", "Returns"):
            assert part in (function.__doc__ or ""), name
        for parameter in signature.parameters:
            assert parameter in function.__doc__, f"{name}: {parameter}"


def test_measure_is_the_function_whoever_imported_its_module() -> None:
    assert timingcam.measure is sys.modules["timingcam.measure"].measure
    assert callable(timingcam.measure)


def test_the_function_can_be_sent_to_another_process() -> None:
    assert pickle.loads(pickle.dumps(timingcam.measure)) is timingcam.measure


def test_importing_it_loads_nothing_heavy() -> None:
    script = "import sys, timingcam; print({'numpy', 'cv2', 'av', 'pydantic'} & set(sys.modules))"
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    assert result.stdout.strip() == "set()"


def test_a_name_that_does_not_exist() -> None:
    with pytest.raises(AttributeError, match="mesure"):
        _ = timingcam.mesure


def test_faults_come_as_exceptions_with_their_parts() -> None:
    with pytest.raises(timingcam.CannotUse) as caught:
        timingcam.measure("no-such-clip.mp4", "no-such-engine.toml", "left")
    assert isinstance(caught.value, CannotUse) and caught.value.exit_status == 2
    assert caught.value.found and caught.value.expected and caught.value.do

"""An interruption ends in status 130 wherever it comes, within the making of a dataclass too."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

from timingcam.cli.ending import Interrupted, hear_ctrl_c, interrupt

CAUGHT = """
import sys
from timingcam.cli.ending import interrupt
try:
    exec("interrupt()", {"interrupt": interrupt})
except KeyboardInterrupt:
    pass
sys.exit(130)
"""


def test_through_an_exec_of_text(tmp_path: Path) -> None:
    """With a `KeyboardInterrupt` itself this ends by SIGINT (Python 3.11.7, found by trying)."""
    (tmp_path / "caught.py").write_text(CAUGHT, encoding="utf-8")
    assert subprocess.run([sys.executable, "-m", "caught"], cwd=tmp_path).returncode == 130


def test_whoever_has_other_plans_keeps_them(monkeypatch: pytest.MonkeyPatch) -> None:
    set_to: list[object] = []
    monkeypatch.setattr(signal, "signal", lambda _, handler: set_to.append(handler))
    for handler, expected in ((signal.SIG_IGN, []), (print, []), (signal.default_int_handler, [interrupt])):
        monkeypatch.setattr(signal, "getsignal", lambda _, handler=handler: handler)
        set_to.clear()
        hear_ctrl_c()
        assert set_to == expected


def test_it_is_an_interruption() -> None:
    with pytest.raises(KeyboardInterrupt) as raised:
        interrupt(signal.SIGTERM, None)
    assert raised.type is Interrupted

"""The command itself: how quickly it helps, and how everything that goes wrong ends."""

from __future__ import annotations

import errno
import importlib
import os
import pkgutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from timingcam import __version__, cli
from timingcam.cli import faults
from timingcam.cli.main import COMMANDS, main
from timingcam.errors import CannotMeasure, CannotUse

HEAVY = {"numpy", "scipy", "cv2", "av", "pydantic", "matplotlib", "bokeh", "rich", "jinja2"}
HELP_CPU_S = 0.3  # what is promised


def run(*args: str, **more: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "timingcam", *args]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, **more)  # type: ignore[call-overload, no-any-return]


def guarded(fault: BaseException, capsys: pytest.CaptureFixture[str], **more: bool) -> tuple[int, str]:
    """Exit status and words on standard error when `fault` is raised; nothing may go to standard output."""

    def work() -> int:
        raise fault

    status = faults.guard(work, **more)
    said = capsys.readouterr()
    assert said.out == ""
    return status, said.err


def one_sentence(words: str) -> bool:
    return words.count("\n") == 1 and words[0].isupper() and words.endswith(".\n") and "Traceback" not in words


def test_help_is_quick() -> None:
    # Children's times are the sum over all that have ended, so the difference is this one's.
    before = os.times()
    result = run("--help")
    after = os.times()
    used_s = (after.children_user - before.children_user) + (after.children_system - before.children_system)
    assert result.returncode == 0
    assert used_s < HELP_CPU_S


def test_help_loads_nothing_heavy() -> None:
    script = f"import sys; from timingcam.cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass\n" \
        f"print('LOADED', {HEAVY!r} & set(sys.modules))"  # fmt: skip
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert result.stdout.splitlines()[-1] == "LOADED set()"


def test_help_lists_every_command_and_the_cautions() -> None:
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    for command in COMMANDS:
        assert f"\n  {command} " in result.output
    words = " ".join(result.output.split())
    for caution in ("looks still", "seizures", "exhaust", "ignition off", "maker's manual"):
        assert caution in words


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_helps(command: str) -> None:
    result = CliRunner().invoke(main, [command, "--help"])
    assert result.exit_code == 0
    assert result.output.startswith("Usage: ")


def test_no_command_is_left_unregistered() -> None:
    registered: set[click.Command] = {main}
    for module, attribute in COMMANDS.values():
        command = getattr(importlib.import_module(module), attribute)
        registered |= {command, *(command.commands.values() if isinstance(command, click.Group) else ())}
    for found in pkgutil.iter_modules(cli.__path__, "timingcam.cli."):
        module = importlib.import_module(found.name)
        assert {one for one in vars(module).values() if isinstance(one, click.Command)} <= registered, found.name


def test_version() -> None:
    assert CliRunner().invoke(main, ["--version"]).output == f"timingcam {__version__}\n"


def test_module_is_the_command() -> None:
    assert run("--version").stdout == f"timingcam {__version__}\n"


def test_without_a_command_it_helps_and_fails() -> None:
    result = CliRunner().invoke(main, [])
    assert result.exit_code == 2
    assert result.stderr.startswith("Usage: ") and result.stdout == ""


def test_misspelt_command() -> None:
    result = CliRunner().invoke(main, ["messure"])
    assert result.exit_code == 2
    assert one_sentence(result.stderr) and "write timingcam measure" in result.stderr


@pytest.mark.parametrize(
    "args",
    [["compare"], ["compare", "--nope"], ["measure", "clip.mp4"], ["engine", "chek"], ["--nope"]],
    ids=" ".join,
)
def test_wrong_usage(args: list[str]) -> None:
    result = CliRunner().invoke(main, args)
    assert result.exit_code == 2
    assert one_sentence(result.stderr) and "--help" in result.stderr and result.stdout == ""


@pytest.mark.parametrize(("kind", "status"), [(CannotUse, 2), (CannotMeasure, 3)])
def test_own_faults(kind: type[CannotUse], status: int, capsys: pytest.CaptureFixture[str]) -> None:
    fault = kind(found="3 flashes", expected="20", do="film longer")
    assert guarded(fault, capsys) == (status, "Found 3 flashes; expected 20; film longer.\n")


@pytest.mark.parametrize("fault", [KeyboardInterrupt(), click.Abort()])
def test_interrupted(fault: BaseException, capsys: pytest.CaptureFixture[str]) -> None:
    assert guarded(fault, capsys) == (130, "Interrupted.\n")


def test_a_fault_of_the_program(capsys: pytest.CaptureFixture[str]) -> None:
    status, words = guarded(KeyError("time_s"), capsys)
    assert status == 1
    assert (
        one_sentence(words) and "fault of timingcam" in words and "--debug" in words and "KeyError: 'time_s'" in words
    )


def test_debug_shows_where_it_came_from(capsys: pytest.CaptureFixture[str]) -> None:
    status, words = guarded(KeyError("time_s"), capsys, debug=True)
    assert status == 1
    assert "Traceback" in words and "raise fault" in words


def test_debug_goes_before_the_command(tmp_path: Path) -> None:
    missing = str(tmp_path / "missing")
    assert "Traceback" in run("--debug", "compare", missing, missing).stderr
    assert one_sentence(run("compare", missing, missing).stderr)


def test_a_name_that_could_steer_the_terminal_is_only_shown(capsys: pytest.CaptureFixture[str]) -> None:
    fault = CannotUse(found="no file 'a\x1b[2J\nb'", expected="a clip", do="check the name")
    assert guarded(fault, capsys)[1] == "Found no file 'a\\x1b[2J b'; expected a clip; check the name.\n"


@pytest.mark.parametrize(
    ("reason", "named"),
    [
        (
            "libGL.so.1: cannot open shared object file: No such file or directory",
            ("libGL.so.1", "libgl1", "mesa-libGL"),
        ),
        ("libgthread-2.0.so.0: cannot open shared object file", ("libgthread-2.0.so.0", "libglib2.0-0", "glib2")),
        ("libstdc++.so.6: cannot open shared object file", ("libstdc++.so.6", "libstdc++6", "libstdc++")),
        ("libnew.so.3: cannot open shared object file", ("libnew.so.3", "libgl1", "mesa-libGL")),
    ],
)
def test_a_library_that_the_system_lacks(
    reason: str, named: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    status, words = guarded(ImportError(reason), capsys)
    assert status == 1
    assert one_sentence(words) and all(name in words for name in (*named, "apt-get", "dnf"))


def test_opencv_that_cannot_load_ends_a_real_measurement_in_one_sentence(tmp_path: Path) -> None:
    broken = tmp_path / "stand-in" / "cv2"
    broken.mkdir(parents=True)
    (broken / "__init__.py").write_text(
        'raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")\n'
    )
    root = Path(__file__).parents[2]
    clip, engine = root / "sample_media" / "left-idle.mp4", root / "shared" / "engines" / "demo-twin.toml"
    search = os.pathsep.join([str(broken.parent), str(root)])
    out = tmp_path / "result"
    result = run(
        "measure", str(clip), "--engine", str(engine), "--cylinder", "left", "--out", str(out),
        env={**os.environ, "PYTHONPATH": search},
    )  # fmt: skip
    assert result.returncode == 1
    assert one_sentence(result.stderr) and "libGL.so.1" in result.stderr and result.stdout == ""
    assert not out.exists()


def test_a_python_package_that_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    status, words = guarded(ModuleNotFoundError("No module named 'bokeh'", name="bokeh"), capsys)
    assert status == 1
    assert one_sentence(words) and "bokeh" in words and "pip" in words


def test_a_reader_that_has_seen_enough_ends_it_quietly() -> None:
    # A pipe whose reading end is closed, as after `| head` has left.
    reading, writing = os.pipe()
    os.close(reading)
    try:
        for args in (["--help"], ["engine", "new"]):
            result = subprocess.run(
                [sys.executable, "-m", "timingcam", *args], stdout=writing, stderr=subprocess.PIPE, timeout=60
            )
            assert (result.returncode, result.stderr) == (0, b"")
    finally:
        os.close(writing)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full here")
def test_output_to_a_full_disk() -> None:
    with Path("/dev/full").open("w") as full:
        result = subprocess.run(
            [sys.executable, "-m", "timingcam", "engine", "new"],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=60,
        )  # fmt: skip
    assert result.returncode == 2
    assert one_sentence(result.stderr)


def test_other_faults_of_the_system_are_not_taken_for_the_output(capsys: pytest.CaptureFixture[str]) -> None:
    status, words = guarded(OSError(errno.EIO, "Input/output error"), capsys)
    assert status == 1 and "Input/output error" in words


@pytest.mark.parametrize("code", [0, None, 3])
def test_a_command_that_leaves_by_itself_keeps_its_status(code: int | None) -> None:
    def work() -> int:
        raise SystemExit(code)

    assert faults.guard(work) == (code or 0)


def test_a_terminal_without_a_degree_sign() -> None:
    result = run("engine", "new", env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert result.returncode == 0 and result.stderr == ""


def test_without_standalone_mode_faults_come_through() -> None:
    with pytest.raises(CannotUse):
        main(["messure"], standalone_mode=False)


def test_completion_is_answered() -> None:
    asked = {"_TIMINGCAM_COMPLETE": "bash_complete", "COMP_WORDS": "timingcam mea", "COMP_CWORD": "1"}
    result = run(env={**os.environ, **asked})
    assert result.stdout.strip() == "plain,measure"


def _says(words: str) -> Callable[[], int]:
    def work() -> int:
        click.echo(words)
        return 0

    return work


def test_words_go_to_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert faults.guard(_says("12.0°")) == 0
    assert capsys.readouterr().out == "12.0°\n"

"""`timingcam`: the command that all others hang from.

In:  the words on the command line.
Out: what the command asked for prints, and an exit status.
Not here: what any command does; how a fault becomes a sentence (`faults.py`).
"""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import Any

import click

from timingcam import __version__
from timingcam.cli import faults

# Command -> module and name in it. Loaded when named or listed, so that a command waits for no other's imports.
COMMANDS = {
    "inspect": ("timingcam.cli.inspect", "inspect"),
    "measure": ("timingcam.cli.measure", "measure"),
    "batch": ("timingcam.cli.batch", "batch"),
    "compare": ("timingcam.cli.compare", "compare"),
    "repeat": ("timingcam.cli.repeat", "repeat"),
    "adjust": ("timingcam.cli.adjust", "adjust"),
    "report": ("timingcam.cli.report", "report"),
    "film": ("timingcam.cli.film", "film"),
    "static": ("timingcam.cli.static", "static"),
    "tdc": ("timingcam.cli.tdc", "tdc"),
    "log": ("timingcam.cli.log", "log"),
    "engine": ("timingcam.cli.engine", "engine"),
    "render": ("timingcam.cli.render", "render"),
}

COMPLETE = "_TIMINGCAM_COMPLETE"  # the shell sets it when it asks for completions

SAFETY = """Before an engine runs: under the strobe a turning rotor looks still, so keep hands, tools, leads and the
phone away from it. Flashing light can bring on seizures: nobody with photosensitive epilepsy nearby. Outdoors or with
exhaust extraction; machine held firmly, gearbox in neutral; no loose clothing or hair. Clips go on and off with the
engine stopped; adjust with the ignition off. The maker's manual and local rules come before anything said here; the
full list is shown after each measurement and in docs/safety.md."""


class Program(click.Group):
    """A group that loads a command when it is asked for, and ends in a sentence and an exit status whatever happens."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order in which they are used."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, loaded now."""
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name]
        command: click.Command = getattr(import_module(module), attribute)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the nearest name for a misspelt one."""
        name = args[0]
        if not name.startswith("-") and name not in COMMANDS:
            raise faults.no_such_command(name, list(COMMANDS))
        return super().resolve_command(ctx, args)

    # Click's signature is an overload for each value of standalone_mode; whoever calls this sees no difference.
    def main(  # type: ignore[override]
        self, args: Any = None, prog_name: str | None = "timingcam", **extra: Any
    ) -> Any:
        """Run and exit; with `standalone_mode=False`, run and let every exception through.

        Click's own way of ending is not used: it has other statuses, and other words.
        """
        words = list(sys.argv[1:] if args is None else args)
        if not extra.pop("standalone_mode", True) or COMPLETE in os.environ:
            return super().main(words, prog_name, complete_var=COMPLETE, standalone_mode=False, **extra)

        def run() -> int:
            with self.make_context(prog_name, words, **extra) as ctx:
                self.invoke(ctx)
            return faults.DONE

        sys.exit(faults.guard(run, debug=words[:1] == ["--debug"]))


@click.group(
    cls=Program, epilog=SAFETY, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, message="timingcam %(version)s")
@click.option("--debug", is_flag=True, help="Show where in the program a fault came from. Goes before the command.")
def main(debug: bool) -> None:
    """Ignition advance against engine speed, measured from a phone clip of the timing marks under a strobe."""

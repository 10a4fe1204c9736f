"""`timingcam render`: words around the staging library."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("scene", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The clip to write, .mp4 or .mov.")
@click.option("--quiet", is_flag=True, help="No progress bar.")
def render(scene: Path, out: Path, quiet: bool) -> None:
    """Render footage with known truth from a SCENE file.

    Beside the clip are written its truth (.truth.csv, .truth.json) and a copy of the scene (.scene.toml).
    """
    from timingcam.staging.render import render_clip
    from timingcam.staging.scene import read_scene

    staged = read_scene(scene)
    with click.progressbar(length=1, label="rendering", hidden=quiet) as bar:

        def show(done: int, count: int) -> None:
            bar.length = count
            bar.update(done - bar.pos)

        written = render_clip(staged, out, show)
    click.echo(f"{written['clip']}, its truth in {written['truth_csv'].name} and {written['truth_json'].name}")

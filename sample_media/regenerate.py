"""Render the sample clips again from the scene files beside this script: python sample_media/regenerate.py"""

from __future__ import annotations

from pathlib import Path

from timingcam.staging.render import render_clip
from timingcam.staging.scene import read_scene

HERE = Path(__file__).parent


def main() -> None:
    """Render every scene of this folder to a clip of the same name."""
    for path in sorted(HERE.glob("*.toml")):
        if path.name.endswith(".scene.toml"):
            continue
        written = render_clip(read_scene(path), path.with_suffix(".mp4"))
        print(f"{written['clip'].name}: {written['clip'].stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()

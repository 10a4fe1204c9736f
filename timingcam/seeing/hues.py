"""What the words for a mark's paint mean: its hue, and whether it is brighter than metal.

In:  the engine file's words for a paint.
Out: blueness and redness, a sign.
Not here: what is seen.

References
----------
.. [1] ITU-R BT.709-6, item 3.2: Y', Cb and Cr.
"""

from __future__ import annotations

import numpy as np

# Our choice: what paints of these names look like, red, green and blue; only the direction of their colour counts.
PAINTS = {
    "white": (1.0, 1.0, 1.0), "black": (1.0, 1.0, 1.0), "grey": (1.0, 1.0, 1.0), "silver": (1.0, 1.0, 1.0),
    "yellow": (1.0, 0.85, 0.15), "orange": (1.0, 0.5, 0.1), "red": (0.8, 0.12, 0.1), "pink": (1.0, 0.5, 0.6),
    "green": (0.15, 0.6, 0.25), "blue": (0.15, 0.3, 0.8), "violet": (0.5, 0.2, 0.7), "brown": (0.45, 0.25, 0.12),
}  # fmt: skip
# Our choice: chalk, white and yellow paint, and aluminium's, are brighter than worn metal; others may be either.
LIGHTNESS = {"white": 1, "yellow": 1, "silver": 1, "black": -1}


def hue_of(words: str | None) -> np.ndarray | None:
    """Blueness and redness of a paint, shares of its light, shape (2,); None where no word for it is known."""
    known = [PAINTS[word] for word in _split(words) if word in PAINTS]
    if not known:
        return None
    red, green, blue = known[-1]  # "bright yellow"
    light = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return np.array([(blue - light) / 1.8556, (red - light) / 1.5748]) / light


def lightness_of(words: str | None) -> int:
    """1 for a paint that is brighter than metal, -1 for one that is darker, 0 where that is not known."""
    known = [LIGHTNESS[word] for word in _split(words) if word in LIGHTNESS]
    return known[-1] if known else 0


def _split(words: str | None) -> list[str]:
    return (words or "").lower().replace("-", " ").split()

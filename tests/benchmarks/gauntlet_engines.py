"""The engines of the gauntlet: invented, each with what one kind of trouble needs.

In:  the name of an engine, whether its file tells the index's height.
Out: the text of an engine file.
Not here: scenes.

Marks are placed exactly as the file says, so their doubt is small; the spec is the true curve of the scenes.
"""

from __future__ import annotations

from collections.abc import Sequence

CURVE = ((1200.0, 8.0), (1900.0, 8.0), (3700.0, 32.0), (8000.0, 32.0))
Mark = tuple[str, Sequence[str], float, str]  # name, cylinders, btdc_deg, paint or ""

PAIR: tuple[Mark, ...] = (("T", "LR", 0.0, ""), ("F", "LR", 8.0, ""), ("A", "LR", 32.0, "white"))
HALF_TURN: tuple[Mark, ...] = (
    ("aT", "L", 0.0, ""), ("aF", "L", 8.0, ""), ("aA", "L", 32.0, ""), ("bT", "R", 0.0, ""), ("bX", "R", 26.0, "")
)  # fmt: skip
VEE: tuple[Mark, ...] = (
    ("LT", "L", 0.0, ""), ("LF", "L", 8.0, ""), ("LA", "L", 32.0, ""),
    ("RT", "R", 0.0, ""), ("RF", "R", 11.0, ""), ("RA", "R", 30.0, ""),
)  # fmt: skip
OTHER: tuple[Mark, ...] = (("T", "LR", 0.0, ""), ("F", "LR", 17.0, ""), ("A", "LR", 50.0, ""), ("B", "LR", 71.0, ""))
ONE: tuple[Mark, ...] = (("A", "LR", 20.0, "white"),)
TWO: tuple[Mark, ...] = (("T", "LR", 0.0, ""), ("A", "LR", 32.0, ""))

# Name: firing TDC of the second cylinder, marks, which way the rotor turns, its rim, where its marks are.
KINDS: dict[str, tuple[float, tuple[Mark, ...], str, float, str]] = {
    "pair": (360.0, PAIR, "anticlockwise", 104.0, "face"),
    "pair-clockwise": (360.0, PAIR, "clockwise", 104.0, "face"),
    "half-turn": (540.0, HALF_TURN, "clockwise", 112.0, "face"),
    "vee": (450.0, VEE, "clockwise", 118.0, "face"),
    "other-marks": (360.0, OTHER, "anticlockwise", 104.0, "face"),
    "one-mark": (360.0, ONE, "anticlockwise", 104.0, "face"),
    "two-marks": (360.0, TWO, "clockwise", 96.0, "face"),
    "edge": (450.0, VEE, "clockwise", 150.0, "edge"),
    "edge-other-way": (360.0, PAIR, "anticlockwise", 120.0, "edge"),
    "edge-two": (360.0, TWO, "clockwise", 170.0, "edge"),
}


def engine_text(kind: str, above_mm: float | None, spec: bool = True) -> str:
    """An engine file; `above_mm` is None where its owner does not know the index's height."""
    second, marks, turns, rim_mm, on = KINDS[kind]
    height = "" if above_mm is None else f"index_above_mm = {above_mm}\nindex_above_sd_mm = 0.2\n"
    parts = [
        f'format = 1\nname = "Gauntlet {kind}"\n[crank]\nstrokes = 4\nsparks_per_rev = 0.5\n'
        "idle_rpm = 1200\nmax_rpm = 8000\n",
        f'[[cylinder]]\nname = "L"\ntdc_deg = 0.0\n[[cylinder]]\nname = "R"\ntdc_deg = {second}\n',
        f'[rotor]\nturns = "{turns}"\nrim_diameter_mm = {rim_mm}\nmarks_on = "{on}"\nwindow_mm = 25.0\n{height}',
    ]
    for name, cylinders, btdc, paint in marks:
        owners = ", ".join(f'"{c}"' for c in cylinders)
        parts.append(f'[[rotor.mark]]\nname = "{name}"\ncylinder = [{owners}]\nbtdc_deg = {btdc}\nsd_deg = 0.05\n')
        if paint:
            parts.append(f'paint = "{paint}"\n')
    if spec:
        parts.append(f"[spec]\ncurve = {[list(p) for p in CURVE]}\ntolerance_deg = 2.0\n")
    return "".join(parts)

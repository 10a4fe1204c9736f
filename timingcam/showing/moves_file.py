"""`adjust.json`: the advice for other programs, and what was learned, for the next time.

In:  `Moves`; or the text of an `adjust.json`.
Out: JSON, format timingcam-adjust/1; or the `Learned` in it.
Not here: where it is written (`cli/adjust.py`).
"""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from timingcam.errors import CannotUse
from timingcam.reckoning.aim import COVERAGE_95
from timingcam.reckoning.moves import Learned, Move, Moves, Outlook
from timingcam.showing.moves_words import effect_sentence, leave_sentence, outlook_sentence, step_sentence

FORMAT = "timingcam-adjust/1"


def moves_json(moves: Moves, clips: dict[str, str]) -> str:
    """The text of `adjust.json`.

    Parameters
    ----------
    moves : Moves
    clips : dict of str to str
        Cylinder: name of the clip that it was measured from.

    Returns
    -------
    str
    """
    data = {
        "format": FORMAT,
        "engine": moves.engine_name,
        "clips": clips,
        "check_first": list(moves.check_first),
        "steps": [_step(number, move) for number, move in enumerate(moves.steps, start=1)],
        "leave": [{"adjuster": move.adjuster, "sentence": leave_sentence(move)} for move in moves.left],
        "cylinders": [_outlook(outlook) for outlook in moves.outlook],
        "warnings": list(moves.warnings),
        "learned": [asdict(one) for one in moves.learned],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _step(number: int, move: Move) -> dict[str, Any]:
    data = asdict(move)
    del data["leave"]
    half = COVERAGE_95 * move.sd_deg
    return {
        "order": number,
        "sentence": step_sentence(move),
        "effect": effect_sentence(move),
        "directions_seen": f"facing {move.adjuster}",
        **data,
        "low_deg": move.wanted_deg - half,
        "high_deg": move.wanted_deg + half,
    }


def _outlook(outlook: Outlook) -> dict[str, Any]:
    plain = {name: getattr(outlook, name) for name in ("low_now", "full_now", "low_after", "full_after")}
    curve = np.column_stack([outlook.grid_rpm, outlook.now_deg, outlook.after_deg])
    return {
        "cylinder": outlook.cylinder,
        "sentence": outlook_sentence(outlook),
        **{name: None if value is None else asdict(value) for name, value in plain.items()},
        "low_aim_deg": outlook.low_aim_deg,
        "full_aim_deg": outlook.full_aim_deg,
        "full_limit_deg": outlook.full_limit_deg,
        "aimed_by": list(outlook.aimed_by),
        "shift_deg": outlook.shift_deg,
        "left_over_deg": outlook.left_over_deg,
        "ride_hard": outlook.ride_hard,
        "curve_rpm_now_after": [[round(float(x), 4) for x in row] for row in curve],
    }


_Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class _LearnedPart(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore")
    adjuster: str
    unit: Literal["divisions", "mm", "degrees", "thou"]
    deg_per_unit: _Positive
    sd_deg: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    nominal_deg_per_unit: _Positive | None


class _File(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore")
    format: Literal["timingcam-adjust/1"]
    engine: str
    learned: list[_LearnedPart]


def parse_learned(text: str, engine_name: str, name: str = "adjust.json") -> tuple[Learned, ...]:
    """What an earlier `adjust.json` had learned.

    Parameters
    ----------
    text : str
        Its text.
    engine_name : str
        The engine that it must be of.
    name : str
        What to call the file in the words of a fault.

    Returns
    -------
    tuple of Learned

    Raises
    ------
    CannotUse
        If it is no such file, or of another engine.
    """
    try:
        found = _File.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"]) or "the whole file"
        raise CannotUse(
            found=f"in {name}, {key}: {first['msg'].lower()}",
            expected=f"a file of format {FORMAT}",
            do="give a folder that timingcam adjust wrote",
        ) from error
    if found.engine != engine_name:
        raise CannotUse(
            found=f"what was learned of {found.engine}",
            expected=f"of {engine_name}",
            do="give the folder of this engine",
        )
    return tuple(Learned(**part.model_dump()) for part in found.learned)

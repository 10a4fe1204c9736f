"""One entry of the bench log: a line of JSON that a person can read.

In:  a `Measurement` with a date and notes; or a line of a log.
Out: `Entry`; its line.
Not here: the file (`store.py`).
"""

from __future__ import annotations

import datetime
import json
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from timingcam.reckoning.checks import level_limits
from timingcam.reckoning.history import HistoryPoint
from timingcam.reckoning.result import Estimate, Measurement
from timingcam.showing.sentences import spec_verdict

FORMAT = "timingcam-log/1"
DECIMALS = 4  # a line of the log is for people, too; no figure is known to a ten-thousandth
MAX_NOTE = 2000  # our choice: a page of notes; more belongs into a file of its own

_Number = Annotated[float, Field(allow_inf_nan=False)]
_Note = Annotated[str, Field(max_length=MAX_NOTE)]
_Limits = tuple[_Number, _Number]
_FIGURES = ("low_speed_advance_deg", "full_advance_deg", "starts_rpm", "full_rpm", "scatter_deg", "hysteresis_deg")


class Figure(BaseModel):
    """A figure with its standard uncertainty and 95 % interval."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")
    value: _Number
    sd: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    low: _Number
    high: _Number

    def estimate(self) -> Estimate:
        """The same as the rest of the package knows it."""
        return Estimate(self.value, self.sd, self.low, self.high)


class Entry(BaseModel):
    """One result, kept."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")
    format: Literal["timingcam-log/1"]
    date: Annotated[datetime.date, Field(strict=False)]
    engine: str
    cylinder: str
    verdict: Literal["in", "out", "unsure"] | None
    low_speed_advance_deg: Figure | None
    full_advance_deg: Figure | None
    starts_rpm: Figure | None
    full_rpm: Figure | None
    scatter_deg: Figure | None
    hysteresis_deg: Figure | None
    moved: Annotated[tuple[_Note, ...], Field(strict=False)]
    note: _Note
    clip: str
    sha256: str
    folder: str
    # Since the first logs were written: what the spec allowed then, so that the trend can show it.
    low_speed_limits_deg: Annotated[_Limits | None, Field(strict=False)] = None
    full_limits_deg: Annotated[_Limits | None, Field(strict=False)] = None

    def line(self) -> str:
        """The entry as a line of the log, with its line end."""
        return json.dumps(self.model_dump(mode="json"), ensure_ascii=False, allow_nan=False) + "\n"

    def point(self) -> HistoryPoint:
        """The entry as a point of the engine's trend."""
        low, full = self.low_speed_advance_deg, self.full_advance_deg
        return HistoryPoint(
            self.date,
            self.cylinder,
            None if low is None else low.estimate(),
            None if full is None else full.estimate(),
            self.moved,
            self.low_speed_limits_deg,
            self.full_limits_deg,
        )


def entry_of(
    measurement: Measurement, date: datetime.date, *, note: str = "", moved: tuple[str, ...] = (), folder: str = ""
) -> Entry:
    """The entry of a measurement.

    Parameters
    ----------
    measurement : Measurement
    date : date
        Of the measurement.
    note : str
        Anything worth remembering, at most 2000 characters.
    moved : tuple of str
        What was moved before it was measured, in the person's own words.
    folder : str
        Where the result is kept, as a person would look for it.

    Returns
    -------
    Entry
    """
    curve = measurement.curve
    figures = {name: getattr(curve, name) for name in _FIGURES}
    spec = measurement.engine.spec
    low_limits, full_limits = (None, None) if spec is None else level_limits(spec)
    return Entry(
        format="timingcam-log/1",
        date=date,
        engine=measurement.engine.name,
        cylinder=measurement.cylinder,
        verdict=spec_verdict(measurement),
        moved=moved,
        note=note,
        clip=measurement.clip.path,
        sha256=measurement.clip.sha256,
        folder=folder,
        low_speed_limits_deg=low_limits,
        full_limits_deg=full_limits,
        **{
            name: None
            if one is None
            else Figure(**{part: round(getattr(one, part), DECIMALS) for part in ("value", "sd", "low", "high")})
            for name, one in figures.items()
        },
    )

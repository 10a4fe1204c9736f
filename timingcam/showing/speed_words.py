"""Where the crank's speed is from, what else speaks for it, and the lag that a falling top looks like, in words.

In:  a `Measurement`.
Out: sentences, the same for terminal and page.
Not here: what contradicts it, which is among the warnings.
"""

from __future__ import annotations

from timingcam.reckoning.result import Estimate, Measurement, RpmSource
from timingcam.showing.sentences import interval_words, number

US_PER_S = 1e6  # definition
SOURCE: dict[RpmSource, str] = {
    "flashes": "the times of the flashes",
    "sound": "the clip's sound",
    "file": "a file that was given",
    "given": "a constant speed that was given",
}


def speed_words(measurement: Measurement) -> str:
    """Where the speed is from, and whether the engine's note agrees.

    Parameters
    ----------
    measurement : Measurement
        Whose speed.

    Returns
    -------
    str
        Without a full stop.
    """
    m, words = measurement, SOURCE[measurement.rpm_source]
    sound, offset = m.speed.sound, m.speed.log_offset_s
    if offset is not None:
        words += f", {number(offset.value, 3)} s added to its times ({interval_words(offset, ' s', 3)})"
    if sound is not None:
        other = "the flashes" if m.rpm_source == "sound" else "that"
        verdict = "they agree" if sound.agrees else "they CONTRADICT each other"
        words += (
            f"; by the engine's note {number(sound.ratio.value, 3)} times {other} "
            f"({interval_words(sound.ratio, '', 3)}, {number(sound.heard_s, 1)} s heard): {verdict}"
        )
    return words


def lag_words(measurement: Measurement) -> str:
    """The lag that a fall of the flat top with speed would stand for.

    Parameters
    ----------
    measurement : Measurement
        With its strobe.

    Returns
    -------
    str
        Without a full stop; empty where the top is too short to tell.
    """
    lag = measurement.strobe.apparent_lag_s
    if lag is None:
        return ""
    us = Estimate(lag.value * US_PER_S, lag.sd * US_PER_S, lag.low * US_PER_S, lag.high * US_PER_S)
    return f"{number(us.value, 0)} µs ({interval_words(us, ' µs', 0)}); not corrected: its cause cannot be told"

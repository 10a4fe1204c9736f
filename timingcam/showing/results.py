"""Result folders: written whole or not at all, read back and validated.

In:  a `Measurement` and where to put it; or a folder.
Out: the folder of docs/formats.md; or the `Measurement` that it holds.
Not here: how the files look (`result_file.py`, `readings_file.py`, `flashes_file.py`, `plots.py`, `marks_sheet.py`,
`report.py`).
"""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, Literal

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Curve, Measurement
from timingcam.showing import flashes_file, readings_file, result_file
from timingcam.showing.readings_file import readings_text
from timingcam.showing.result_file import result_json
from timingcam.showing.writing import write_file, write_folder

__all__ = ["FILES", "MAY_HOLD", "load", "readings_csv", "result_json", "save", "write_file", "write_folder"]

PictureKind = Literal["png", "svg", "pdf"]
FILES = ("result.json", "readings.csv", "flashes.npz", "curve.png", "marks.png", "report.html")
DRAWN_AS = ("svg", "pdf")  # kinds of picture that the curve may be written as besides
MAY_HOLD = (*FILES, *(f"curve.{kind}" for kind in DRAWN_AS))


def readings_csv(measurement: Measurement) -> str:
    """The readings as the text of `readings.csv`.

    Parameters
    ----------
    measurement : Measurement
        Whose readings.

    Returns
    -------
    str
        Comma-separated, with a header row.
    """
    return readings_text(measurement.readings)


def save(measurement: Measurement, folder: str | Path, *, replace: bool = False, curve_as: PictureKind = "png") -> Path:
    """Write a result folder: `result.json`, `readings.csv`, `flashes.npz`, `curve.png`, `marks.png`, `report.html`.

    It appears whole or not at all, whatever happens meanwhile; an old folder stays until the new one is whole.

    Parameters
    ----------
    measurement : Measurement
        What to write.
    folder : str or Path
        Where; folders above it are made where they do not exist.
    replace : bool
        Whether an existing result folder may be replaced. A folder that holds anything else is never replaced.
    curve_as : {"png", "svg", "pdf"}
        With "svg" or "pdf" the curve is there as such a file as well.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    CannotUse
        If something of that name exists and may not be replaced, or the disk cannot be written to.
    ValueError
        If pictures and readings are not of the same flashes.
    """
    if len(measurement.pictures.frame) != len(measurement.readings):
        raise ValueError(f"{len(measurement.pictures.frame)} flashes drawn, {len(measurement.readings)} read")

    def fill(inside: Path) -> None:
        _write_all(measurement, inside)
        if curve_as != "png":
            from timingcam.showing import plots

            drawn = plots.picture_bytes(plots.plot(measurement), curve_as)
            (inside / f"curve.{curve_as}").write_bytes(drawn)

    return write_folder(folder, fill, files=MAY_HOLD, replace=replace)


def load(folder: str | Path) -> Measurement:
    """Read a result folder back.

    Parameters
    ----------
    folder : str or Path
        As `save` wrote it.

    Returns
    -------
    Measurement
        Equal to the one saved to the figures written: all of them in `result.json` and `flashes.npz` (times in µs to
        one part in 10^15), ten figures in `readings.csv`.

    Raises
    ------
    CannotUse
        If a file is missing, cannot be read, or holds something else than it should; file and key are named.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise CannotUse(
            found=f"no folder '{folder}'",
            expected="a result folder, as timingcam measure writes it",
            do="give the folder that was named with --out",
        )
    content = result_file.parse_result(_read(folder / "result.json", result_file.MAX_BYTES))
    try:
        table = _read(folder / "readings.csv", readings_file.MAX_BYTES).decode()
    except UnicodeDecodeError:
        raise _unreadable(folder / "readings.csv", "is not text in UTF-8") from None
    readings = readings_file.parse_readings(table)
    with _open(folder / "flashes.npz", flashes_file.MAX_BYTES) as file:
        pictures = flashes_file.parse_pictures(file)
    if len(pictures.frame) != len(readings):
        raise CannotUse(
            found=f"{len(pictures.frame)} flashes in flashes.npz, {len(readings)} in readings.csv",
            expected="the same flashes in both",
            do="measure the clip again",
        )
    return Measurement(
        clip=content.clip,
        engine=content.engine,
        cylinder=content.cylinder,
        cylinder_identity=content.cylinder_identity,
        camera=result_file.camera_of(content),
        strobe=result_file.strobe_of(content),
        rpm_source=content.rpm_source,
        speed=result_file.speed_of(content),
        readings=readings,
        curve=_curve_of(content),
        budget=content.budget,
        checks=result_file.checks_of(content),
        warnings=content.warnings,
        pictures=pictures,
    )


def _write_all(measurement: Measurement, inside: Path) -> None:
    # Drawing libraries are slow to load; reading a result back does not need them.
    from timingcam.showing import marks_sheet, plots, report

    (inside / "result.json").write_text(result_json(measurement), encoding="utf-8")
    (inside / "readings.csv").write_text(readings_csv(measurement), encoding="utf-8", newline="")
    (inside / "flashes.npz").write_bytes(flashes_file.pictures_bytes(measurement.pictures))
    (inside / "curve.png").write_bytes(plots.picture_bytes(plots.plot(measurement)))
    (inside / "marks.png").write_bytes(plots.picture_bytes(marks_sheet.marks_sheet(measurement)))
    (inside / "report.html").write_text(report.report_html(measurement), encoding="utf-8")


def _curve_of(content: result_file.ResultFile) -> Curve:
    import numpy as np

    c = content.curve
    try:
        return Curve(
            low_speed_advance_deg=c.low_speed_advance_deg,
            full_advance_deg=c.full_advance_deg,
            starts_rpm=c.starts_rpm,
            full_rpm=c.full_rpm,
            slope_deg_per_1000rpm=c.slope_deg_per_1000rpm,
            scatter_deg=c.scatter_deg,
            hysteresis_deg=c.hysteresis_deg,
            grid_rpm=np.array(c.grid.rpm),
            grid_advance_deg=np.array(c.grid.advance_deg),
            grid_random_sd_deg=np.array(c.grid.random_sd_deg),
            grid_sd_deg=np.array(c.grid.sd_deg),
            fit=c.fit,
        )
    except ValueError as error:
        raise CannotUse(
            found=f"key 'curve.grid' in result.json: {error}",
            expected="columns of one length",
            do="measure the clip again",
        ) from None


def _open(path: Path, max_bytes: int) -> BinaryIO:
    try:
        # A pipe or a device of that name would be waited for without end.
        if path.exists() and not path.is_file():
            raise _unreadable(path, "it is not a file")
        size = path.stat().st_size
        if size > max_bytes:
            raise CannotUse(
                found=f"'{path.name}' of {size / 1e6:.0f} MB",
                expected=f"at most {max_bytes / 1e6:.0f} MB",
                do="use the folder as timingcam wrote it",
            )
        return path.open("rb")
    except FileNotFoundError:
        raise CannotUse(
            found=f"no '{path.name}' in '{path.parent}'",
            expected="a whole result folder, as timingcam measure writes it",
            do="give such a folder, or measure the clip again",
        ) from None
    except OSError as error:
        raise _unreadable(path, error.strerror or str(error)) from error


def _read(path: Path, max_bytes: int) -> bytes:
    with _open(path, max_bytes) as file:
        try:
            return file.read(max_bytes)
        except OSError as error:
            raise _unreadable(path, error.strerror or str(error)) from error


def _unreadable(path: Path, why: str) -> CannotUse:
    return CannotUse(
        found=f"'{path.name}' that cannot be read: {why}",
        expected="a file as timingcam wrote it",
        do="look at the file's owner and rights, or measure the clip again",
    )

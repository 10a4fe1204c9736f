"""What the pictures are drawn from to the bytes of `flashes.npz`, and back.

In:  `Pictures`, or an open `flashes.npz`.
Out: the bytes, a NumPy archive of plain arrays; or `Pictures`.
Not here: where the file lies (`results.py`); any drawing.

The file may come from somebody else, so nothing in it is believed: no pickled object is ever read, and each array's
kind, shape and size are looked at in its header before memory is given to it.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import dataclass
from typing import IO, Any

import numpy as np

from timingcam.errors import CannotUse
from timingcam.reckoning.result import Pictures

MAX_BYTES = 1_000_000_000  # unpacked; 20 000 crops of 224 × 224 pixels
NAME_CHARACTERS = 64  # longest name of a mark; NumPy stores text at its longest

# Array: kinds of number allowed, and its shape in flashes n, marks m, crops c, and free sizes h, w.
_LAYOUT: dict[str, tuple[str, tuple[str | int, ...]]] = {
    "frame": ("iu", ("n",)),
    "row_first": ("iu", ("n",)),
    "row_last": ("iu", ("n",)),
    "to_rotor": ("f", ("n", 3, 3)),
    "rotor_deg": ("f", ("n",)),
    "mark_names": ("U", ("m",)),
    "mark_deg": ("f", ("m",)),
    "mark_radius": ("f", ("m", 2)),
    "index_deg": ("f", ()),
    "index_radius": ("f", ()),
    "index_px": ("f", (2,)),
    "crop_of": ("iu", ("c",)),
    "crops": ("u", ("c", "h", "w")),
    "crop_origin_px": ("f", ("c", 2)),
    "crop_scale": ("f", ()),
}


@dataclass(frozen=True, slots=True)
class _Header:
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    start: int  # bytes before the numbers

    @property
    def n_bytes(self) -> int:
        # Python's own integers, which do not overflow as an array's product of a hostile shape would.
        size = self.dtype.itemsize
        for length in self.shape:
            size *= length
        return size


def pictures_bytes(pictures: Pictures) -> bytes:
    """What the pictures are drawn from, as the bytes of `flashes.npz`.

    Parameters
    ----------
    pictures : Pictures
        Flashes, marks and crops.

    Returns
    -------
    bytes
        A compressed NumPy archive; the same pictures give the same bytes.
    """
    arrays = {name: np.asarray(getattr(pictures, name)) for name in _LAYOUT}
    arrays["mark_names"] = np.array(pictures.mark_names, dtype=f"U{NAME_CHARACTERS}")
    for name in ("index_deg", "index_radius", "index_px", "crop_scale"):
        arrays[name] = arrays[name].astype(float)
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)  # type: ignore[arg-type]
    return out.getvalue()


def parse_pictures(file: IO[bytes], name: str = "flashes.npz") -> Pictures:
    """Read and validate a `flashes.npz`.

    Parameters
    ----------
    file : binary file
        Open for reading, seekable.
    name : str
        What to call the file in an error.

    Returns
    -------
    Pictures

    Raises
    ------
    CannotUse
        If it is not such an archive, holds something else than plain arrays of the expected kinds and shapes, or would
        unpack to more than `MAX_BYTES`; the array is named.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            _check_sizes(archive, name)
            headers = {key: _header(archive, key, name) for key in _LAYOUT}
            _check_shapes(headers, name)
            arrays = {key: _read_array(archive, key, header, name) for key, header in headers.items()}
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeError) as error:
        raise _refuse(f"{name} that cannot be unpacked ({error})", "a NumPy archive") from None
    _check_values(arrays, name)
    content: dict[str, Any] = dict(arrays)
    content["mark_names"] = tuple(str(n) for n in arrays["mark_names"])
    content["index_px"] = tuple(arrays["index_px"].tolist())
    for key in ("index_deg", "index_radius", "crop_scale"):
        content[key] = float(arrays[key])
    return Pictures(**content)


def _check_sizes(archive: zipfile.ZipFile, name: str) -> None:
    expected = {f"{key}.npy" for key in _LAYOUT}
    found = [member.filename for member in archive.infolist()]
    if len(found) != len(set(found)) or not expected <= set(found):
        missing = ", ".join(sorted(expected - set(found))) or "the same array twice"
        raise _refuse(f"{name} with wrong contents: {missing}", "each array of docs/formats.md once")
    size = sum(member.file_size for member in archive.infolist())
    if size > MAX_BYTES:
        raise _refuse(f"{size / 1e6:.0f} MB in {name}, unpacked", f"at most {MAX_BYTES / 1e6:.0f} MB")


def _header(archive: zipfile.ZipFile, key: str, name: str) -> _Header:
    try:
        with archive.open(f"{key}.npy") as member:
            version = np.lib.format.read_magic(member)
            read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
            shape, column_order, dtype = read(member)
            start = member.tell()
    except ValueError as error:
        raise _refuse(f"array '{key}' of {name} without a readable header ({error})", "a plain array") from None
    kinds, _ = _LAYOUT[key]
    if dtype.hasobject or dtype.kind not in kinds or dtype.fields is not None or (column_order and len(shape) > 1):
        raise _refuse(
            f"array '{key}' of {name} holding {dtype}", "plain numbers or text of the kind that timingcam writes"
        )
    return _Header(shape, dtype, start)


def _check_shapes(headers: dict[str, _Header], name: str) -> None:
    sizes: dict[str, int] = {}
    for key, (_, wanted) in _LAYOUT.items():
        shape = headers[key].shape
        fits = len(shape) == len(wanted)
        if fits:
            fits = all(
                length == (sizes.setdefault(want, length) if isinstance(want, str) else want)
                for length, want in zip(shape, wanted, strict=True)
            )
        if not fits or headers[key].n_bytes > MAX_BYTES:
            raise _refuse(f"array '{key}' of shape {shape} in {name}", f"shape {wanted} (n flashes, m marks, c crops)")
    if headers["crops"].dtype != np.uint8:
        raise _refuse(f"array 'crops' of {name} holding {headers['crops'].dtype}", "grey levels of 8 bits")


def _read_array(archive: zipfile.ZipFile, key: str, header: _Header, name: str) -> np.ndarray:
    member = archive.getinfo(f"{key}.npy")
    if member.file_size != header.start + header.n_bytes:
        raise _refuse(f"array '{key}' of {name} that is not as long as its header says", "a whole array")
    with archive.open(member) as file:
        return np.lib.format.read_array(file, allow_pickle=False)


def _check_values(arrays: dict[str, np.ndarray], name: str) -> None:
    # `to_rotor` and `rotor_deg` may be NaN: a flash that was seen, but whose angle could not be read.
    for key in ("mark_deg", "mark_radius", "index_deg", "index_radius", "index_px", "crop_origin_px", "crop_scale"):
        if not np.all(np.isfinite(arrays[key])):
            raise _refuse(f"a value of '{key}' in {name} that is not a number", "finite numbers")
    n_flashes = len(arrays["frame"])
    if np.any((arrays["crop_of"] < 0) | (arrays["crop_of"] >= n_flashes)):
        raise _refuse(f"a picture of flash {arrays['crop_of'].max()} in {name}", f"flashes 0 to {n_flashes - 1}")
    if not arrays["crop_scale"] > 0:
        raise _refuse(f"crop_scale {arrays['crop_scale']} in {name}", "a number above 0")


def _refuse(found: str, expected: str) -> CannotUse:
    return CannotUse(found=found, expected=expected, do="measure the clip again, or use the file as timingcam wrote it")

"""`flashes.npz`: exact, and nothing in it believed."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from made_measurement import make_measurement

from timingcam.errors import CannotUse
from timingcam.showing.flashes_file import parse_pictures, pictures_bytes


@pytest.fixture(scope="module")
def arrays() -> dict[str, np.ndarray]:
    data = pictures_bytes(make_measurement(n=40).pictures)
    with np.load(io.BytesIO(data), allow_pickle=False) as file:
        return dict(file)


def packed(arrays: dict[str, Any], **changes: Any) -> io.BytesIO:
    content = {**arrays, **changes}
    out = io.BytesIO()
    np.savez_compressed(out, **{k: v for k, v in content.items() if v is not None})
    out.seek(0)
    return out


class Bomb:
    """Would run code of its own when unpickled."""

    def __reduce__(self) -> tuple[Callable[..., object], tuple[str]]:
        return (pytest.fail, ("a pickled object was read",))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"crops": None}, r"crops\.npy"),
        ({"rotor_deg": np.array([Bomb()] * 40, dtype=object)}, "array 'rotor_deg'"),
        ({"mark_names": np.array(["N", "A", 3], dtype=object)}, "array 'mark_names'"),
        ({"rotor_deg": np.zeros(39)}, "array 'rotor_deg' of shape"),
        ({"to_rotor": np.zeros((40, 9))}, "array 'to_rotor' of shape"),
        ({"frame": np.zeros(40)}, "array 'frame' of .* holding float64"),
        ({"crops": np.zeros((20, 5, 5), dtype=np.uint16)}, "array 'crops'"),
        ({"crop_of": np.full(40, 40)}, "array 'crop_origin_px' of shape|array 'crops' of shape|a picture of flash 40"),
        ({"crop_scale": np.array(0.0)}, "crop_scale 0"),
        ({"index_deg": np.array(np.nan)}, "'index_deg'"),
    ],
)
def test_a_wrong_array_is_named(arrays: dict[str, np.ndarray], changes: dict[str, Any], words: str) -> None:
    with pytest.raises(CannotUse, match=words):
        parse_pictures(packed(arrays, **changes))


def test_an_array_that_claims_more_than_it_holds_is_refused(arrays: dict[str, np.ndarray]) -> None:
    header = io.BytesIO()
    claim = {"descr": "|u1", "fortran_order": False, "shape": (30, 1 << 40, 1 << 20)}
    np.lib.format.write_array_header_1_0(header, claim)
    out = io.BytesIO()
    with zipfile.ZipFile(packed(arrays)) as old, zipfile.ZipFile(out, "w") as new:
        for member in old.infolist():
            data = header.getvalue() if member.filename == "crops.npy" else old.read(member)
            new.writestr(member.filename, data)
    with pytest.raises(CannotUse, match="array 'crops'"):
        parse_pictures(out)


def test_a_flood_of_noughts_is_refused_before_it_is_unpacked(arrays: dict[str, np.ndarray]) -> None:
    out = packed(arrays)
    data = out.getvalue()
    # The size unpacked, as the archive's directory gives it for its last member: 4 bytes at 24 of that entry.
    entry = data.rfind(b"PK\x01\x02")
    spoiled = data[: entry + 24] + (2_000_000_000).to_bytes(4, "little") + data[entry + 28 :]
    with pytest.raises(CannotUse, match="MB in"):
        parse_pictures(io.BytesIO(spoiled))


@pytest.mark.parametrize("cut", [0, 10, 500, -30])
def test_a_torn_file_is_refused(arrays: dict[str, np.ndarray], cut: int) -> None:
    data = packed(arrays).getvalue()[:cut]
    with pytest.raises(CannotUse):
        parse_pictures(io.BytesIO(data))


def test_spoiled_bytes_are_refused_or_read_but_never_end_otherwise(arrays: dict[str, np.ndarray]) -> None:
    data = bytearray(packed(arrays).getvalue())
    rng = np.random.default_rng(3)
    refused = 0
    for place in rng.choice(len(data), 120, replace=False):
        spoiled = data.copy()
        spoiled[place] ^= 0xFF
        try:
            parse_pictures(io.BytesIO(bytes(spoiled)))
        except CannotUse:
            refused += 1
    # Each member carries a checksum: nearly every byte belongs to one.
    assert refused > 60


def test_a_name_that_is_no_text_is_refused(arrays: dict[str, np.ndarray]) -> None:
    data = bytearray(packed(arrays).getvalue())
    entry = data.rfind(b"PK\x01\x02")
    data[entry + 9] |= 0x08  # this name is UTF-8, the directory says (APPNOTE 4.4.4, bit 11)
    data[entry + 46] = 0x94
    with pytest.raises(CannotUse, match="cannot be unpacked"):
        parse_pictures(io.BytesIO(bytes(data)))

"""Light as numbers: its colour on a surface, the smear that a flash's length draws, the flicker of mains lamps.

In:  colours, flash shapes, turning rates, exposures.
Out: tint factors, smear kernels, row factors.
Not here: where the light falls (`shading.py`).
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from timingcam.staging.canvas import LUMA, POLAR_PAD
from timingcam.staging.scene_tables import Colour, Light
from timingcam.staging.strobe import FlashLight

SHARP_CELLS = 0.05  # our choice: a smear of a twentieth of a sheet point, 1/40 px, is drawn as none


def tint(colour: Colour) -> tuple[float, float, float]:
    """Luma, blue − luma and red − luma of light of a colour on a grey surface of reflectance 1."""
    grey = sum(weight * part for weight, part in zip(LUMA, colour, strict=True))
    return grey, colour[2] - grey, colour[0] - grey


def smear_kernel(light: FlashLight, share: tuple[float, float], turn_deg_per_s: float, cell_deg: float) -> np.ndarray:
    """Weights that smear the rotor sheet round the axis while a flash (or a part of one) lasts.

    Parameters
    ----------
    light : FlashLight
    share : (float, float)
        The part of the light that counts, from which to which share of it.
    turn_deg_per_s : float
        Clockwise turning.
    cell_deg : float
        One column of the sheet.

    Returns
    -------
    ndarray, odd length, sum 1, float32
        For a correlation along the columns: weight at +i cells belongs to light sent when the rotor stood −i cells on.
    """
    begin, end = (float(t) for t in light.when_emitted(np.array(share)))
    on = np.array([begin, end]) * turn_deg_per_s / cell_deg
    if abs(on[1] - on[0]) < SHARP_CELLS and max(abs(on)) < SHARP_CELLS:
        return np.ones(1, np.float32)
    reach = math.ceil(max(abs(on))) + 1
    cells = np.arange(-reach, reach + 1)
    # Light sent while the rotor passes from i to i + 1 cells is shared between both (linear), so that the smear's
    # middle stays where it belongs to far below a cell.
    fine = np.linspace(share[0], share[1], max(65, 16 * cells.size + 1))
    middle = (fine[1:] + fine[:-1]) / 2
    passed = light.when_emitted(middle) * turn_deg_per_s / cell_deg
    low = np.floor(passed).astype(int)
    kernel = np.zeros(cells.size)
    np.add.at(kernel, reach - low, 1 - (passed - low))
    np.add.at(kernel, reach - low - 1, passed - low)
    return (kernel / kernel.sum()).astype(np.float32)


def flicker(light: Light, opens_s: np.ndarray, exposure_s: float) -> np.ndarray:
    """Mean brightness of mains-fed lamps over each row's exposure, 1 on the whole."""
    turn = 2 * math.pi * light.flicker_hz
    middle = opens_s + exposure_s / 2
    return 1 + light.flicker_share * np.sinc(light.flicker_hz * exposure_s) * np.cos(turn * middle)


def smeared(plane: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """A padded sheet, smeared along its columns by a kernel of `smear_kernel`."""
    if kernel.size == 1:
        return plane
    reach = kernel.size // 2
    pad = POLAR_PAD if plane.ndim == 2 else POLAR_PAD // 2
    around = plane[:, pad:-pad]
    wide = np.concatenate([around[:, -(pad + reach) :], around, around[:, : pad + reach]], axis=1)
    soft = cv2.filter2D(wide, -1, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    return np.ascontiguousarray(soft[:, reach:-reach])


def halved(kernel: np.ndarray) -> np.ndarray:
    """The same smear for a raster twice as coarse."""
    if kernel.size == 1:
        return kernel
    reach = kernel.size // 2
    at = np.arange(-reach, reach + 1) / 2
    half = np.zeros(2 * math.ceil(reach / 2 + 1) + 1, np.float32)
    middle = half.size // 2
    low = np.floor(at).astype(int)
    np.add.at(half, low + middle, kernel * (1 - (at - low)))
    np.add.at(half, low + 1 + middle, kernel * (at - low))
    return half

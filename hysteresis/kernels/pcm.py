"""Rows of numbers between -1 and +1 as the bytes of a WAV: 24 bits, lowest byte first."""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled

TOP = 2**23 - 1


def bytes_of_24_bits(rows, channels, out):
    """Round `rows` (n, k), columns `channels` (c,), into `out` (3 n c,) of bytes.

    Halves go to the even code, as `np.rint` does. Returns the index of the first row with a value
    beyond full scale or not a number, or -1; what lies behind it is not written.
    """
    place = 0
    for i in range(rows.shape[0]):
        for k in range(channels.size):
            value = rows[i, channels[k]]
            if not (abs(value) <= 1.0):
                return i
            code = np.int64(np.rint(value * TOP))
            out[place] = code & 0xFF
            out[place + 1] = (code >> 8) & 0xFF
            out[place + 2] = (code >> 16) & 0xFF
            place += 3
    return -1


bytes_of_24_bits = compiled(bytes_of_24_bits)

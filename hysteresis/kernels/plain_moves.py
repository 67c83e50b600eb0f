"""Plain lines of an RS-274 program, straight from its bytes: G0, G1, X, Y, Z, F, S, M3 to M5.

Long programs are made of such lines almost alone. The kernel carries them out one by one and
stops in front of the first line that holds anything else, anything faulty, or a number whose
nearest float it cannot make exactly; the reader in `paths/rs274.py` then takes that line. Its rules
are the reader's, and a test holds the two to the same rows bit for bit.
"""

from __future__ import annotations

import numpy as np

from hysteresis.kernels.compiled import compiled

# state: modes as floats (NaN: not yet given), see `paths/rs274_machine.py`
X, Y, UNIT, ABSOLUTE, MOTION, FEED, TURNING, POWER, OFF_X, OFF_Y, DEFAULT_FEED, Z, Z_TRACED = range(
    13
)
STATES = 13
# counts: how often and first where (pairs); whether any line held a word; layers of Z
Z_LINES, CHECKSUMS, E_WORDS, WORDS_SEEN, LAYERS = 0, 2, 4, 6, 7
COUNTS = 8

FARTHEST_MM = 1e5
LARGEST_FEED = 1e9
_TENS = 10.0 ** np.arange(23)  # exact as floats


def run(data, at, end, line, skip_e, state, counts, x_out, y_out, beam_out, feed_out, line_out, n):
    """Carry out plain lines from byte `at` on, until `end`, a full output or another kind of line.

    data : uint8; every line in it up to `end` is whole. skip_e : words of E behind a blank are
    passed over. Rows are written from `n` on. Returns where it stopped (the beginning of a
    line), the number of that line, and the rows written so far. `state` and `counts` are
    changed by whole lines only.
    """
    room = len(x_out)
    while at < end and n < room:
        p = at
        has_x = has_y = has_z = has_f = has_s = has_g = has_m = has_e = summed = False
        x = y = z = f = s = 0.0
        motion = state[MOTION]
        turning = state[TURNING]
        plain = True
        words = False
        while True:  # words of the line
            while p < end and (data[p] == 32 or data[p] == 9):
                p += 1
            if p >= end or data[p] == 10 or data[p] == 13:
                break
            c = data[p]
            if c == 59:  # ; to the end of the line
                while p < end and data[p] != 10 and data[p] != 13:
                    if data[p] >= 128 or data[p] == 0:
                        plain = False
                        break
                    p += 1
                break
            if c == 40:  # ( to ) on the same line, not nested
                p += 1
                while p < end and data[p] != 41:
                    b = data[p]
                    if b == 10 or b == 13 or b == 40 or b >= 128 or b == 0:
                        break
                    p += 1
                if p >= end or data[p] != 41:
                    plain = False
                    break
                p += 1
                continue
            if summed:  # nothing follows a checksum
                plain = False
                break
            if 97 <= c <= 122:
                c -= 32
            blank_before = p == at or data[p - 1] == 32 or data[p - 1] == 9
            p += 1
            while p < end and (data[p] == 32 or data[p] == 9):
                p += 1
            # the number
            negative = signed = False
            if p < end and (data[p] == 43 or data[p] == 45):
                negative = data[p] == 45
                signed = True
                p += 1
            digits = decimals = 0
            point = False
            whole = np.int64(0)
            while p < end:
                b = data[p]
                if 48 <= b <= 57:
                    if whole > 900719925474098:  # one more digit could pass 2**53
                        plain = False
                        break
                    whole = whole * 10 + (b - 48)
                    digits += 1
                    if point:
                        decimals += 1
                elif b == 46 and not point:
                    point = True
                else:
                    break
                p += 1
            if not plain or digits == 0 or decimals > 22:
                plain = False
                break
            # a digit or point behind blanks goes on with the number, as blanks mean nothing
            q = p
            while q < end and (data[q] == 32 or data[q] == 9):
                q += 1
            if q < end and (48 <= data[q] <= 57 or data[q] == 46):
                plain = False
                break
            value = whole / _TENS[decimals]
            if negative:
                value = -value
            if c == 88 and not has_x:
                has_x, x = True, value
            elif c == 89 and not has_y:
                has_y, y = True, value
            elif c == 90 and not has_z:
                has_z, z = True, value
            elif c == 70 and not has_f:
                has_f, f = True, value
            elif c == 83 and not has_s:
                has_s, s = True, value
            elif c == 71 and not has_g and (value == 0.0 or value == 1.0):
                has_g, motion = True, value
            elif c == 77 and not has_m and (value == 3.0 or value == 4.0 or value == 5.0):
                has_m = True
                turning = 0.0 if value == 5.0 else 1.0
            elif c == 78 and not words and not point and not signed:
                pass  # a line number
            elif c == 69 and skip_e and blank_before and not has_e:
                has_e = True
            elif c == 42 and not point and not signed:
                summed = True
            else:
                plain = False
                break
            words = True
        if not plain:
            break
        power = s if has_s else state[POWER]
        feed = f if has_f else state[FEED]
        if (has_s and not (0.0 <= s < np.inf)) or (has_f and not (0.0 <= f <= LARGEST_FEED)):
            break
        moves = has_x or has_y
        x_mm, y_mm = state[X], state[Y]
        beam = False
        rate = np.nan
        if (moves or has_z) and not (motion == 0.0 or motion == 1.0):
            break
        if moves:
            unit = state[UNIT]
            if has_x:
                x_mm = x * unit + state[OFF_X] if state[ABSOLUTE] == 1.0 else x_mm + x * unit
            if has_y:
                y_mm = y * unit + state[OFF_Y] if state[ABSOLUTE] == 1.0 else y_mm + y * unit
            if not (abs(x_mm) <= FARTHEST_MM and abs(y_mm) <= FARTHEST_MM):
                break
            beam = motion == 1.0 and turning == 1.0 and not power <= 0.0
            if motion == 1.0:
                rate = state[DEFAULT_FEED] if np.isnan(feed) else feed * unit / 60.0
                if beam and not rate > 0.0:
                    break
                if rate == 0.0:
                    rate = np.nan
        # the line is good: carry it out
        if has_z:
            if counts[Z_LINES] == 0:
                counts[Z_LINES + 1] = line
            counts[Z_LINES] += 1
            state[Z] = z * state[UNIT] if state[ABSOLUTE] == 1.0 else state[Z] + z * state[UNIT]
        if summed:
            if counts[CHECKSUMS] == 0:
                counts[CHECKSUMS + 1] = line
            counts[CHECKSUMS] += 1
        if has_e:
            if counts[E_WORDS] == 0:
                counts[E_WORDS + 1] = line
            counts[E_WORDS] += 1
        if words:
            counts[WORDS_SEEN] = 1
        state[MOTION], state[FEED], state[TURNING], state[POWER] = motion, feed, turning, power
        if moves:
            if beam and state[Z] != state[Z_TRACED]:  # NaN before the first trace
                state[Z_TRACED] = state[Z]
                counts[LAYERS] += 1
            state[X], state[Y] = x_mm, y_mm
            x_out[n], y_out[n], beam_out[n] = x_mm, y_mm, beam
            feed_out[n], line_out[n] = rate, line
            n += 1
        # the end of the line: LF, CR LF, CR or the end of the text
        if p < end and data[p] == 13:
            p += 1
            if p < end and data[p] == 10:
                p += 1
            line += 1
        elif p < end:
            p += 1
            line += 1
        at = p
    return at, line, n


run = compiled(run)

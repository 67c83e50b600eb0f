"""Names of the entries of a piece: the torque of a memory along one monotone stretch of the angle.

torque(theta) = C0 + C1 d + C2 d^2 + C3 d^3 with d = theta - REF, valid until the angle reaches END
in the direction WAY (+1 or -1; 0: no motion yet, then C0 is the torque at END, the angle now).
"""

from __future__ import annotations

REF, C0, C1, C2, C3, END, WAY = range(7)
PIECE_SIZE = 7
BLOCK = 1024  # samples between two writings of the canonical state

"""From what was written down to what is fitted: a camera log or a typed sheet to a recording.

Rows are marked with a reason, never deleted, and no value is changed. What is set aside by
judgement (outliers, readings in doubt) can be kept by the person's word.
"""

from hysteresis.measure.from_camera import measure_camera
from hysteresis.measure.from_sheet import measure_typed
from hysteresis.measure.measured import Doubt, Measured, rows_by_reason

__all__ = ["Doubt", "Measured", "measure_camera", "measure_typed", "rows_by_reason"]

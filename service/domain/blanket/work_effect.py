"""What work on a sensor leaves behind: the drift believed right after a calibration, a cleaning or a replacement."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.blanket.drift import Drift
from service.domain.blanket.drift_priors import Priors
from service.domain.cores.core import Calibration, CalibrationKind

#: Deviation of the offset left [m]: written down; unwritten after a calibration; beyond the half taken off by a cleaning.
#: Judgement, no source.
WRITTEN_SD, UNWRITTEN_SD, CLEANED_SD = 0.06, 0.12, 0.10
#: Deviation of a span error somebody wrote down [–].
WRITTEN_SPAN_SD = 0.02


@dataclass(frozen=True, slots=True)
class Left:
    """Offset [m] and span error [–] right after the work, with variances; span None where the work did not touch it."""

    offset: float
    offset_var: float
    span: float | None
    span_var: float


def after_work(work: Calibration, before: Drift, days: float, priors: Priors) -> Left:
    """What to believe after work on a sensor.

    Parameters
    ----------
    work : what was done and written down.
    before, days : the drift when last heard of, and how long before the work that was. [day]
    """
    if work.as_left_offset is not None:
        offset, var = work.as_left_offset, WRITTEN_SD**2
    elif work.kind is CalibrationKind.CALIBRATION:
        offset, var = 0.0, UNWRITTEN_SD**2
    elif work.kind is CalibrationKind.REPLACEMENT:
        offset, var = 0.0, priors.offset_sd**2
    else:
        # Cleaning takes away some of the offset; how much of it was fouling is not known.
        offset = 0.5 * before.at(days, 0.0)[0]
        var = offset**2 + CLEANED_SD**2
    if work.as_left_span_error is not None:
        return Left(offset, var, work.as_left_span_error, WRITTEN_SPAN_SD**2)
    if work.kind is CalibrationKind.REPLACEMENT:
        return Left(offset, var, 0.0, priors.span_sd**2)
    return Left(offset, var, None, 0.0)

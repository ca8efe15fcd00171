"""What the error on arrival is made of when a pose filter joins the pictures of the whole approach.

The error on arrival is linear in everything that went in. The filter's ``cov(x, c)`` with constants c of unit variance,
independent of each other, is therefore what each constant does, and what they leave of ``cov(x)`` is corner noise.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from fiducialkit.arrays import FloatArray
from fiducialkit.planning.arrival import tool_covariance
from fiducialkit.planning.filter_steps import Measurements, measurements, run_filter, timetable
from fiducialkit.planning.picture_model import CORNERS, SOURCES, picture_model, with_half
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Study


def filtered_sources(
    study: Study, *, pictures_per_s: float = 30.0
) -> list[tuple[pd.DataFrame, FloatArray, FloatArray]]:
    """Return, for each rig of the study, its cases and their covariances at the tool point.

    Returns
    -------
    list of (DataFrame, ndarray (C, 9, 3, 3), ndarray (C, 9, 3, 3))
        rig, node, side, state, markers (in the last picture that sees one), blind_m, flip_probability; covariances by
        source; and their sums with each source half as large. NaN where no marker is seen. [m, m, rad]
    """
    distance, labels, poses = timetable(study, pictures_per_s)
    model, flips = picture_model(study, poses), predict(study, poses).flip_probability
    better = [with_half(model, source) for source in SOURCES]
    found = []
    for number, rig in enumerate(study.rigs):
        measured = measurements(model, flips, number, (distance, labels))
        halved = []
        for each in better:
            again = measurements(each, flips, number, (distance, labels))
            halved.append(_by_source(each.study, again).sum(axis=1))
        frame = measured.frame.assign(
            rig=rig.name,
            markers=_last_markers(measured),
            blind_m=measured.blind_m(study.approach.distance_m),
            flip_probability=measured.least_flip_probability(),
        )
        found.append((frame, _by_source(study, measured), np.stack(halved, axis=1)))
    return found


def _last_markers(measured: Measurements) -> list[int]:
    return [int(row[row > 0][-1]) if (row > 0).any() else 0 for row in measured.markers]


def _by_source(study: Study, measured: Measurements) -> FloatArray:
    """Return the covariance at the tool point from each source, (C, 9, 3, 3)."""
    _, covariance, by_constant = run_filter(study, measured)
    source_of = np.array(measured.source_of)
    by_source = np.zeros((len(covariance), len(SOURCES), 3, 3))
    for place, source in enumerate(SOURCES):
        if source != CORNERS:
            part = by_constant[:, :, source_of == source]
            by_source[:, place] = part @ np.swapaxes(part, 1, 2)
    by_source[:, SOURCES.index(CORNERS)] = covariance - by_source.sum(axis=1)
    for side in study.sides:
        chosen = (measured.frame["side"] == side).to_numpy()
        by_source[chosen] = tool_covariance(by_source[chosen], study.tool(side))
    return by_source

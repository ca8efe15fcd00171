"""The robot's own detector on pictures with known corners."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from marker_sheets import SHEET, count_right, sheet_of

from fiducialkit.errors import InputError
from fiducialkit.planning.detector_tables import Conditions
from fiducialkit.planning.robot_detector import seen_by_robot, stock_markers
from fiducialkit.scene.camera import CameraNoise
from fiducialkit.scene.markers import marker_family

FAMILY = marker_family("36h11")


@pytest.mark.parametrize(("detector", "rms_px"), [("stock", 0.35), ("fitted", 0.02)])
def test_reads_what_is_there(detector, rms_px):
    """Stock corners: .12 to .2 px rms at 48 px, fitted ones .005 px (measured for this project)."""
    picture, truth = sheet_of(48.0, seed=3)
    camera = replace(SHEET, noise=CameraNoise(detector=detector))
    seen = seen_by_robot(picture, camera, FAMILY)
    right, wrong = count_right(seen.marker_id, seen.corners_px, truth)
    assert (right, wrong) == (len(truth), 0)
    errors = np.array([c - truth[i] for i, c in zip(seen.marker_id.tolist(), seen.corners_px, strict=True)])
    assert np.sqrt((errors**2).mean()) < rms_px
    assert (np.diff(seen.marker_id) > 0).all()


def test_stated_covariance_is_what_was_measured():
    picture, truth = sheet_of(40.0, seed=5)
    seen = stock_markers(picture, FAMILY, conditions=Conditions())
    errors = np.array([c - truth[i] for i, c in zip(seen.marker_id.tolist(), seen.corners_px, strict=True)])
    stated = seen.covariance_px2[:, 0, 0].mean()
    assert 0.5 < (errors**2).mean() / stated < 2.0


def test_nothing_there_is_nothing_found():
    blank = np.full((200, 300), 120, dtype=np.uint8)
    assert len(stock_markers(blank, FAMILY)) == 0
    assert stock_markers(blank, FAMILY, conditions=Conditions()).corners_px.shape == (0, 4, 2)


def test_a_measured_detector_cannot_be_run():
    camera = replace(SHEET, noise=CameraNoise(detector="measured", corner_sd_px=0.2))
    with pytest.raises(InputError, match=r"noise\.detector: expected stock or fitted"):
        seen_by_robot(np.zeros((720, 1280), dtype=np.uint8), camera, FAMILY)

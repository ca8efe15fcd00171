"""Simulated drives to a node: errors constant per drive, corners redrawn in every picture, a filter on solved poses."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from budget_cases import DRAWN, Case, brute_force

from fiducialkit.planning import approach_filter
from fiducialkit.planning.picture_model import picture_model
from fiducialkit.planning.prediction import predict
from fiducialkit.planning.study import Study

CONSTANT = dict.fromkeys([draw for draw in DRAWN.values() if draw != "noise"], True)


def measured_of(study: Study, rig: str, pictures_per_s: float, changes=()):
    """Return the measurements of one rig of a study."""
    narrow = replace(study, rigs=(study.robot.rig(rig),))
    distance, labels, poses = approach_filter.timetable(narrow, pictures_per_s)
    flips = predict(narrow, poses).flip_probability
    return approach_filter.measurements(picture_model(narrow, poses), flips, 0, (distance, labels), changes)


def case_row(measured, node: str, side: str, state: str) -> int:
    frame = measured.frame
    return int(np.flatnonzero((frame["node"] == node) & (frame["side"] == side) & (frame["state"] == state))[0])


def plain_filter(gains, noise, markers, stretches, speed, odometry, learns=False):
    """Return the gains of each picture and the last covariance (3 + n, 3 + n), pose and constants in one state.

    Written out as the textbook has it, with the rows of the constants never moved: considered, not estimated. With
    `learns` they are moved: the best linear estimate there is.
    """
    constants = gains.shape[2]
    P = np.diag(np.concatenate([[1e4, 1e4, 1e2], np.ones(constants)]))
    kept = []
    for t, stretch in enumerate(stretches):
        if markers[t]:
            H = np.hstack([np.eye(3), gains[t]])
            K = np.zeros((3 + constants, 3))
            rows = slice(None) if learns else slice(3)
            K[rows] = (P @ H.T @ np.linalg.inv(H @ P @ H.T + noise[t]))[rows]
            left = np.eye(3 + constants) - K @ H
            P = left @ P @ left.T + K @ noise[t] @ K.T
            kept.append(K[:3])
        else:
            kept.append(None)
        F = np.eye(3 + constants)
        turn = math.radians(odometry.heading_sd_deg_per_s) * abs(stretch) / speed
        F[1, 2], F[0, -2] = stretch, odometry.distance_sd_percent / 100.0 * stretch
        F[1, -1], F[2, -1] = 0.5 * stretch * turn, turn
        P = F @ P @ F.T
    return kept, P


def simulated_drives(study: Study, rig: str, where, *, pictures_per_s: float, drives: int, seed: int):
    """Return errors (drives, 3) of along, across, heading at the node, of a filter run on solved poses.

    `where` is (node, side, state). The filter's gains are those of `plain_filter`; it runs on absolute poses, turned
    and driven on by wheels and gyro whose scale and rate are off by the same amount for a whole drive.
    """
    node_name, side, state = where
    measured = measured_of(study, rig, pictures_per_s)
    row = case_row(measured, node_name, side, state)
    node = next(each for each in study.field.nodes if each.name == node_name)
    heading = math.radians(node.heading_deg)
    robot_heading, forward = (heading, 1.0) if side == "front" else (heading + math.pi, -1.0)
    speed, wheels = study.approach.speed_m_per_s, study.odometry
    stretches = forward * -np.diff(np.append(measured.distance_m, 0.0))
    gains, _ = plain_filter(
        measured.gains[row], measured.noise[row], measured.markers[row], stretches, speed, wheels
    )  # fmt: skip
    rng = np.random.default_rng((seed, 1))
    scale = rng.normal(0.0, wheels.distance_sd_percent / 100.0, drives)
    rate = rng.normal(0.0, math.radians(wheels.heading_sd_deg_per_s), drives)
    turned = np.array([[math.cos(robot_heading), -math.sin(robot_heading)],
                       [math.sin(robot_heading), math.cos(robot_heading)]])  # fmt: skip
    estimate = None
    for t, distance in enumerate(measured.distance_m):
        place = np.array(node.position) - distance * np.array([math.cos(heading), math.sin(heading)])
        if measured.markers[row, t]:
            pose = np.array([*place, robot_heading])
            case = Case(study, study.robot.rig(rig), pose, study.states.index(state), (forward * speed, 0.0))
            noise_rng = np.random.default_rng((seed, 2, t))
            error, _ = brute_force(
                case, drives, np.random.default_rng((seed, 3)), noise_rng, noise=True, **CONSTANT
            )  # fmt: skip
            solved = np.column_stack([place + error[:, :2] @ turned.T, robot_heading + error[:, 2]])
            if estimate is None:
                estimate = solved
            else:
                off = solved - estimate
                off = np.column_stack([off[:, :2] @ turned, off[:, 2]]) @ gains[t].T
                estimate = estimate + np.column_stack([off[:, :2] @ turned.T, off[:, 2]])
        if estimate is not None:
            turn = rate * abs(stretches[t]) / speed
            along = stretches[t] * (1.0 + scale)
            middle = estimate[:, 2] + 0.5 * turn
            step = np.column_stack([along * np.cos(middle), along * np.sin(middle), turn])
            estimate = estimate + step
    off = estimate - np.array([*node.position, robot_heading])
    return np.column_stack([off[:, :2] @ turned, off[:, 2]])


def share_that_scores(study: Study, where, errors) -> float:
    """Return the share of drives whose tool point and heading end within the node's tolerances."""
    node = next(each for each in study.field.nodes if each.name == where[0])
    x, y, _ = study.tool(where[1]).position
    along, across = errors[:, 0] - y * errors[:, 2], errors[:, 1] + x * errors[:, 2]
    inside = (np.abs(along) < node.tolerance_along_m) & (np.abs(across) < node.tolerance_across_m)
    return float((inside & (np.abs(errors[:, 2]) < math.radians(node.tolerance_heading_deg))).mean())

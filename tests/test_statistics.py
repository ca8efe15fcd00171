"""Angles, intervals and the radius that holds 95 %, each computed a second way."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from fiducialkit import InputError
from fiducialkit.statistics import circular_mean, radius_95, wilson_interval, wrapped


def share_inside(radius: float, minor: float) -> float:
    """Share of a Gaussian with sds 1 and `minor` inside a circle: quadrature over the minor axis."""

    def slice_(y: float) -> float:
        half = math.sqrt(max(radius**2 - y**2, 0.0))
        return math.exp(-0.5 * (y / minor) ** 2) / (minor * math.sqrt(2 * math.pi)) * math.erf(half / math.sqrt(2))

    reach = min(radius, 12 * minor)
    return integrate.quad(slice_, -reach, reach, epsabs=1e-11, epsrel=1e-11, limit=200)[0]


@pytest.mark.parametrize("tenths", range(1, 11))
def test_radius_95_by_quadrature_at_the_table_s_points(tenths: int) -> None:
    minor = tenths / 10
    radius = optimize.brentq(lambda r: share_inside(r, minor) - 0.95, 1.5, 3.0, xtol=1e-10)
    assert float(radius_95(1.0, minor)) == pytest.approx(radius, abs=2e-6)


@pytest.mark.parametrize("minor", [0.03, 0.05, 0.15, 0.37, 0.45, 0.55, 0.62, 0.75, 0.85, 0.95])
def test_radius_95_by_quadrature_between_them(minor: float) -> None:
    radius = optimize.brentq(lambda r: share_inside(r, minor) - 0.95, 1.5, 3.0, xtol=1e-10)
    assert float(radius_95(1.0, minor)) == pytest.approx(radius, rel=1.2e-3)


def test_radius_95_closed_forms() -> None:
    # a line: the two-sided 95 % point of the normal distribution; a circle: Rayleigh, 1 - exp(-r^2 / 2) = 0.95
    assert float(radius_95(2.0, 0.0)) == pytest.approx(2.0 * stats.norm.ppf(0.975), rel=1e-6)
    assert float(radius_95(2.0, 2.0)) == pytest.approx(2.0 * math.sqrt(-2.0 * math.log(0.05)), rel=1e-6)
    assert float(radius_95(0.0, 0.0)) == 0.0


def test_radius_95_by_simulation() -> None:
    # 400 000 draws: standard error of the share sqrt(.95 * .05 / n) = 3.4e-4; five of them allowed
    rng = np.random.default_rng(20)
    for major, minor in ((1.0, 0.33), (0.02, 0.018), (3.0, 0.3)):
        draws = rng.normal(size=(400_000, 2)) * [major, minor]
        inside = (np.hypot(*draws.T) < radius_95(major, minor)).mean()
        assert inside == pytest.approx(0.95, abs=5 * 3.4e-4)


def test_radius_95_takes_arrays_and_either_order() -> None:
    radii = radius_95([1.0, 0.5, math.nan], [0.5, 1.0, 1.0])
    assert radii.shape == (3,)
    assert radii[0] == radii[1]
    assert np.isnan(radii[2])
    assert radius_95(3.0, 1.5) == pytest.approx(3 * radius_95(1.0, 0.5))


# Wilson


@pytest.mark.parametrize(("successes", "trials"), [(0, 5), (5, 5), (1, 3), (15, 148), (81, 263), (950, 1000)])
def test_wilson_interval_agrees_with_scipy(successes: int, trials: int) -> None:
    # source: scipy.stats.binomtest(...).proportion_ci(method="wilson")
    expected = stats.binomtest(successes, trials).proportion_ci(confidence_level=0.95, method="wilson")
    assert wilson_interval(successes, trials) == pytest.approx((expected.low, expected.high), abs=1e-7)


def test_wilson_interval_solves_its_own_equation() -> None:
    # both ends p satisfy (s - p)^2 = z^2 p (1 - p) / n: Wilson 1927
    for end in wilson_interval(15, 148, z=1.959964):
        assert (15 / 148 - end) ** 2 == pytest.approx(1.959964**2 * end * (1 - end) / 148)


def test_wilson_interval_without_trials_says_nothing() -> None:
    assert wilson_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("successes", "trials"), [(-1, 5), (6, 5), (1, 0), (0, -1)])
def test_wilson_interval_refuses_what_cannot_be(successes: int, trials: int) -> None:
    with pytest.raises(InputError, match="successes: expected 0 to"):
        wilson_interval(successes, trials)


# angles


def test_heading_error_across_180_degrees() -> None:
    # A35: truth 179, estimate -179: 2 degrees apart, not 358
    error = math.degrees(wrapped(math.radians(-179.0 - 179.0)))
    assert error == pytest.approx(2.0)
    assert math.degrees(wrapped(math.radians(179.0 + 179.0))) == pytest.approx(-2.0)


@settings(max_examples=300, deadline=None, derandomize=True)
@given(angle=st.floats(-1e4, 1e4))
def test_wrapped_lies_in_its_interval_and_is_the_same_direction(angle: float) -> None:
    result = float(wrapped(angle))
    assert -math.pi < result <= math.pi
    assert (math.cos(result), math.sin(result)) == pytest.approx((math.cos(angle), math.sin(angle)), abs=1e-9)


def test_wrapped_at_the_seam() -> None:
    just_above, just_below = math.nextafter(math.pi, 4.0), math.nextafter(-math.pi, -4.0)
    for angle in (math.pi, -math.pi, 3 * math.pi, just_above, just_below):
        assert -math.pi < float(wrapped(angle)) <= math.pi
    assert float(wrapped(math.pi)) == math.pi
    assert float(wrapped(-math.pi)) == math.pi
    assert float(wrapped(0.25)) == pytest.approx(0.25)


def test_circular_mean() -> None:
    # A35: headings 170 and -170: 180, not 0
    assert abs(math.degrees(circular_mean(np.radians([170.0, -170.0])))) == pytest.approx(180.0)
    # sines .17365 + .34202 + .86603, cosines .98481 + .93969 + .5: atan(1.38170 / 2.42450)
    assert math.degrees(circular_mean(np.radians([10.0, 20.0, 60.0]))) == pytest.approx(29.68, abs=0.01)
    turned = circular_mean(np.radians([10.0, 20.0, 60.0]) + 2.5)
    assert float(wrapped(turned - 2.5)) == pytest.approx(circular_mean(np.radians([10.0, 20.0, 60.0])))


@pytest.mark.parametrize("angles_deg", [[], [0.0, 180.0], [0.0, 120.0, 240.0], [math.nan, 1.0]])
def test_there_is_no_mean_direction_where_directions_cancel(angles_deg: list[float]) -> None:
    assert math.isnan(circular_mean(np.radians(angles_deg)))

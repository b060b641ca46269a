"""Propagation of uncertainty against the GUM, its Monte Carlo supplement and other code.

* JCGM 100:2008 (GUM), example H.2 (inputs from memory; the results are the published ones).
* JCGM 101:2008, 9.2 (additive model) and 9.3 (mass calibration) (from memory).
* The package `uncertainties` (linear propagation by automatic differentiation).
"""

import numpy as np
import pytest
from uncertainties import ufloat, umath

from tests.camera import Body, film_and_reading
from xraymeasure.measuring.cup import ellipse_angles
from xraymeasure.measuring.draws import draw
from xraymeasure.measuring.femur import femoral_offset_mm
from xraymeasure.measuring.measure import measure
from xraymeasure.measuring.uncertainty import LEARNING, Term, linearise

DRAWS = 200_000


def key(name):
    return name, None, "landmarks"


def inputs(**terms):
    """Return terms from means and standard uncertainties; all of one source."""
    return [
        Term(name, "placing", np.atleast_1d(np.array(mean, float)), np.atleast_1d(np.array(u)))
        for name, (mean, u) in terms.items()
    ]


# --- GUM H.2: resistance, reactance and impedance from five readings of three quantities ----------

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance_terms():
    """Return independent inputs whose mixture has the mean and covariance of the readings' mean."""
    readings = np.stack([VOLTS, AMPERES, PHASE])
    covariance = np.cov(readings) / len(VOLTS)
    return readings.mean(axis=1), np.linalg.cholesky(covariance)


def impedance(mixed):
    mean, mixing = impedance_terms()
    volts, amperes, phase = mean[:, None] + mixing @ mixed["z"]
    size = volts / amperes
    return {
        key("R"): size * np.cos(phase),
        key("X"): size * np.sin(phase),
        key("Z"): size,
        key("R + X"): size * (np.cos(phase) + np.sin(phase)),
    }


def test_gum_h2_resistance_reactance_and_impedance():
    found = linearise(impedance, inputs(z=(np.zeros(3), np.ones(3)))).intervals()
    for name, value, u in (
        ("R", 127.732, 0.0711),
        ("X", 219.847, 0.2956),
        ("Z", 254.260, 0.2363),
    ):
        interval = found[key(name)]
        assert interval.standard_uncertainty == pytest.approx(u, abs=5e-5)
        assert (interval.low + interval.high) / 2.0 == pytest.approx(value, abs=1e-3)
        assert (interval.high - interval.low) / 2.0 == pytest.approx(1.96 * u, rel=1e-3)
    u_r, u_x, u_sum = (found[key(name)].standard_uncertainty for name in ("R", "X", "R + X"))
    assert (u_sum**2 - u_r**2 - u_x**2) / (2.0 * u_r * u_x) == pytest.approx(-0.588, abs=5e-4)


def test_gum_h2_by_monte_carlo_agrees_with_first_order():
    terms = inputs(z=(np.zeros(3), np.ones(3)))
    linear, drawn = linearise(impedance, terms).intervals(), draw(impedance, terms, DRAWS, 1).ends()
    for name in ("R", "X", "Z"):
        low, high = drawn[key(name)]
        assert high - low == pytest.approx(linear[key(name)].high - linear[key(name)].low, rel=0.01)


# --- JCGM 101 -------------------------------------------------------------------------------------


def test_jcgm_101_92_four_normal_inputs_add_up():
    """u(Y) = 2.00, 95 % from -3.92 to 3.92."""
    terms = inputs(x=(np.zeros(4), np.ones(4)))

    def total(mixed):
        return {key("y"): mixed["x"].sum(axis=0)}

    assert linearise(total, terms).intervals()[key("y")].standard_uncertainty == pytest.approx(2.0)
    assert draw(total, terms, DRAWS, 2).ends()[key("y")] == pytest.approx((-3.92, 3.92), abs=0.03)


def test_jcgm_101_92_four_rectangular_inputs_reach_less_far():
    """95 % from -3.88 to 3.88: what first order cannot tell and the draws can."""
    from scipy.special import ndtr

    terms = inputs(x=(np.zeros(4), np.ones(4)))

    def total(mixed):
        return {key("y"): (np.sqrt(12.0) * (ndtr(mixed["x"]) - 0.5)).sum(axis=0)}

    assert draw(total, terms, DRAWS, 3).ends()[key("y")] == pytest.approx((-3.88, 3.88), abs=0.03)


def test_jcgm_101_93_mass_calibration_is_where_first_order_falls_short():
    """u(dm) is 0.0754 mg by draws against 0.0539 to first order (air at its reference density).

    The standard gives the draws' shortest 95 % interval, 1.0834 to 1.3825; it is symmetric.
    """
    from scipy.special import ndtr

    terms = inputs(
        reference=(100_000.0, 0.050),
        added=(1.234, 0.020),
        air=(0.0, 1.0),
        weight=(0.0, 1.0),
        standard=(0.0, 1.0),
    )

    def rectangle(z, middle, half):
        return middle + half * (2.0 * ndtr(z) - 1.0)

    def difference(mixed):
        air = rectangle(mixed["air"], 1.20, 0.10)
        weight = rectangle(mixed["weight"], 8.0e3, 1.0e3)
        standard = rectangle(mixed["standard"], 8.00e3, 0.05e3)
        buoyancy = (air - 1.2) * (1.0 / weight - 1.0 / standard)
        mass = (mixed["reference"] + mixed["added"]) * (1.0 + buoyancy)
        return {key("dm"): mass[0] - 100_000.0}

    found = linearise(difference, terms).intervals()[key("dm")]
    assert found.standard_uncertainty == pytest.approx(0.0539, abs=1e-4)
    assert (found.low + found.high) / 2.0 == pytest.approx(1.2340, abs=1e-4)
    low, high = draw(difference, terms, DRAWS, 4).ends()[key("dm")]
    assert (low, high) == pytest.approx((1.0834, 1.3825), abs=0.004)


# --- another program's linear propagation ---------------------------------------------------------


def test_the_package_uncertainties_agrees_on_a_cups_angles():
    means, u = np.array([28.0, 8.0, -0.7]), np.array([0.12, 0.15, 0.011])

    def model(mixed):
        a, b, angle = mixed["rim"]
        ellipse = np.stack([np.zeros_like(a), np.zeros_like(a), a, b, angle])
        inclination, anteversion = ellipse_angles(ellipse, mixed["tilt"][0], 1, 1)
        return {key("inclination"): inclination, key("anteversion"): anteversion}

    found = linearise(model, inputs(rim=(means, u), tilt=(0.03, 0.012))).intervals()
    a, b, angle = (ufloat(mean, spread) for mean, spread in zip(means, u, strict=True))
    tilt = ufloat(0.03, 0.012)
    inclination = umath.degrees(umath.atan2(-umath.sin(angle - tilt), umath.cos(angle - tilt)))
    anteversion = umath.degrees(umath.asin(b / a))
    for name, theirs in (("inclination", inclination), ("anteversion", anteversion)):
        ours = found[key(name)]
        assert (ours.low + ours.high) / 2.0 == pytest.approx(theirs.nominal_value, abs=1e-6)
        assert ours.standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-3)


def test_the_package_uncertainties_agrees_on_an_offset_and_a_rotated_neck():
    points = np.array([88.0, -18.0, 128.0, 70.0, 133.0, 180.0])
    u = np.array([0.1, 0.1, 0.6, 0.6, 0.6, 0.6])

    def model(mixed):
        hip, upper, lower = mixed["points"].reshape(3, 2, -1)
        shaft = (lower - upper) / np.hypot(*(lower - upper))
        offset = femoral_offset_mm(hip, upper, shaft, 1)
        cosine = np.tan(np.radians(mixed["angle"][0])) / np.tan(np.radians(132.0))
        return {key("offset"): offset, key("corrected"): offset / cosine}

    found = linearise(model, inputs(points=(points, u), angle=(134.5, 0.4))).intervals()
    hx, hy, ux, uy, lx, ly = (ufloat(mean, spread) for mean, spread in zip(points, u, strict=True))
    angle = ufloat(134.5, 0.4)
    dx, dy = lx - ux, ly - uy
    offset = (dx * (hy - uy) - dy * (hx - ux)) / umath.hypot(dx, dy)
    cosine = umath.tan(umath.radians(angle)) / np.tan(np.radians(132.0))
    for name, theirs in (("offset", offset), ("corrected", offset / cosine)):
        ours = found[key(name)]
        assert (ours.low + ours.high) / 2.0 == pytest.approx(theirs.nominal_value, abs=1e-5)
        assert ours.standard_uncertainty == pytest.approx(theirs.std_dev, rel=1e-3)


# --- the whole measurement ------------------------------------------------------------------------


@pytest.mark.parametrize("side", ["left", "right"])
def test_first_order_agrees_with_20_000_draws_for_every_number(side):
    """Within 5 % of the interval's width, wherever the model is smooth (JCGM 101, clause 8)."""
    film, reading = film_and_reading(Body(side=side, ra=20.0), points=12)
    linear = measure(film, reading, draws=0)
    drawn = {
        (row.name, row.side, row.method): row
        for row in measure(film, reading, draws=20_000, seed=5).rows
    }
    compared = 0
    for row in linear.rows:
        other = drawn[row.name, row.side, row.method]
        # Over the spread of posture the model bends.
        if row.high > row.low and row.method not in LEARNING:
            assert other.high - other.low == pytest.approx(row.high - row.low, rel=0.05), row.name
            compared += 1
    assert compared > 35

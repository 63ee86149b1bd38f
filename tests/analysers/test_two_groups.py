"""The statistics behind setups and long runs, against published values; and what they promise, by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from lapkit.analysers.statistics.bends import find_bend
from lapkit.analysers.statistics.regression import (
    least_squares,
    nested,
    quantile,
    robust_fit,
    share_left,
    theil_sen,
)
from lapkit.analysers.statistics.two_groups import exchange_groups, exchange_residuals, exchange_signs, paired, welch

# NIST Statistical Reference Datasets (public domain): Norris, calibration of ozone monitors; SiRstv, resistivity of silicon wafers.
NORRIS_Y = [
    0.1, 338.8, 118.1, 888, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
    557.7, 228.3, 998, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777, 558.2, 0.4, 0.6, 775.5, 666.9, 338, 447.5, 11.6,
    556, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999, 779, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
SIRSTV = [
    [196.3052, 196.124, 196.189, 196.2569, 196.3403], [196.3042, 196.3825, 196.1669, 196.3257, 196.0422], [196.1303,
    196.2005, 196.2889, 196.0343, 196.1811], [196.2795, 196.1748, 196.1494, 196.1485, 195.9885], [196.2119, 196.1051,
    196.185, 196.0052, 196.209],
]  # fmt: skip
# Ezekiel (1930), 50 cars: speed (mph) and stopping distance (ft), data set "cars" of R.
SPEED = [
    4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 16, 16, 17, 17,
    17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25,
]  # fmt: skip
STOP = [
    2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26, 54, 32, 40, 32,
    40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85,
]  # fmt: skip
# Longley (1967), NIST Statistical Reference Datasets (public domain), as carried by statsmodels (BSD-3-Clause): employment, price
# deflator, product, unemployed, armed forces, population, year.
LONGLEY = np.array([
    [60323, 83, 234289, 2356, 1590, 107608, 1947], [61122, 88.5, 259426, 2325, 1456, 108632, 1948],
    [60171, 88.2, 258054, 3682, 1616, 109773, 1949], [61187, 89.5, 284599, 3351, 1650, 110929, 1950],
    [63221, 96.2, 328975, 2099, 3099, 112075, 1951], [63639, 98.1, 346999, 1932, 3594, 113270, 1952],
    [64989, 99, 365385, 1870, 3547, 115094, 1953], [63761, 100, 363112, 3578, 3350, 116219, 1954],
    [66019, 101.2, 397469, 2904, 3048, 117388, 1955], [67857, 104.6, 419180, 2822, 2857, 118734, 1956],
    [68169, 108.4, 442769, 2936, 2798, 120445, 1957], [66513, 110.8, 444546, 4681, 2637, 121950, 1958],
    [68655, 112.6, 482704, 3813, 2552, 123366, 1959], [69564, 114.2, 502601, 3931, 2514, 125368, 1960],
    [69331, 115.7, 518173, 4806, 2572, 127852, 1961], [70551, 116.9, 554894, 4007, 2827, 130081, 1962],
])  # fmt: skip
# Student (1908), hours of sleep gained with two drugs.
SLEEP = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0], [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
# Box, Hunter and Hunter, Statistics for Experimenters: wear of shoe soles of two materials, a pair a boy.
SHOES = (
    [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3],
    [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6],
)
# Darwin's maize, differences of pairs in eighths of an inch (Fisher 1935).
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]


def line(x):
    return np.column_stack([np.ones(len(x)), x])


# ------------------------------------------------------------------------------ least squares


def test_a_straight_line_is_that_of_the_reference_data():
    """NIST Statistical Reference Datasets, Norris: certified coefficients, standard errors, residual sd, R2."""
    fit = least_squares(line(NORRIS_X), NORRIS_Y)
    assert fit.coefficients == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)
    assert fit.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.explained == pytest.approx(0.999993745883712, rel=1e-9)
    assert fit.freedom == 34


def test_a_line_through_the_origin_is_that_of_the_reference_data():
    """NIST Statistical Reference Datasets, NoInt1; R2 about zero, as certified."""
    fit = least_squares(np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0))
    assert fit.coefficients[0] == pytest.approx(2.07438016528926, rel=1e-9)
    assert math.sqrt(fit.covariance[0, 0]) == pytest.approx(0.0165289256198347, rel=1e-9)
    assert fit.scatter == pytest.approx(3.56753034006338, rel=1e-9)
    assert fit.explained == pytest.approx(0.999365492298663, rel=1e-9)


def test_several_columns_that_nearly_say_the_same_are_told_apart():
    """NIST Statistical Reference Datasets, Longley."""
    fit = least_squares(np.column_stack([np.ones(16), LONGLEY[:, 1:]]), LONGLEY[:, 0])
    assert fit.coefficients[[0, 1, 6]] == pytest.approx(
        [-3482258.63459582, 15.0618722713733, 1829.15146461355], rel=1e-7
    )
    assert fit.scatter == pytest.approx(304.854073561965, rel=1e-7)
    assert fit.explained == pytest.approx(0.995479004577296, rel=1e-9)


def test_the_stopping_distances_of_cars():
    """Ezekiel (1930), as printed by R's summary(lm(dist ~ speed)), to half a unit of the last digit."""
    fit = least_squares(line(SPEED), STOP)
    assert np.abs(fit.coefficients - [-17.5791, 3.9324]).max() < 5e-5
    assert np.abs(np.sqrt(np.diag(fit.covariance)) - [6.7584, 0.4155]).max() < 5e-5
    assert abs(fit.scatter - 15.38) < 0.005
    assert abs(fit.explained - 0.6511) < 5e-5
    ratio, p = nested(least_squares(np.ones((50, 1)), STOP), fit)
    assert ratio == pytest.approx(
        (3.9324087591240864 / 0.41551277665712255) ** 2, rel=1e-9
    )  # F of one column is t squared
    assert p == pytest.approx(2 * stats.t.sf(3.9324087591240864 / 0.41551277665712255, 48), rel=1e-6)


def analysed(groups):
    """F, between and within sums of squares of groups, by the two fits that the runs of a setup are judged by."""
    values = np.concatenate(groups)
    member = np.repeat(np.eye(len(groups)), [len(g) for g in groups], axis=0)
    small, large = least_squares(np.ones((len(values), 1)), values), least_squares(member, values)
    return nested(small, large)[0], small.squares - large.squares, large


def test_groups_are_told_apart_as_in_the_reference_data():
    """NIST Statistical Reference Datasets, SiRstv: one-way analysis of variance."""
    ratio, between, large = analysed(SIRSTV)
    assert ratio == pytest.approx(1.18046237440255, rel=1e-8)
    assert between == pytest.approx(0.0511462616, rel=1e-8)
    assert large.squares == pytest.approx(0.21663656, rel=1e-8)
    assert large.scatter == pytest.approx(0.104076068334656, rel=1e-9)
    assert large.explained == pytest.approx(0.190999039051129, rel=1e-8)


@pytest.mark.parametrize(("leading", "tolerance"), [("", 1e-9), ("100000", 1e-7), ("100000000000", 1e-4)])
@pytest.mark.parametrize(("count", "expected"), [(21, 21.0), (201, 201.0), (2001, 2001.0)])
def test_times_of_day_keep_their_scatter(leading, tolerance, count, expected):
    """NIST Statistical Reference Datasets, SmLs01 to SmLs09 (Simon and Lesage 1989), by their rule: certified F.

    The last three have thirteen constant digits, of which doubles hold the data themselves to three figures; SciPy's own test of
    these files allows 1e-4 there.
    """
    first = [1.4, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5, 1.3, 1.5]
    groups = []
    for start in first:
        steps = np.append(start, np.resize([start - 0.1, start + 0.1], count - 1))
        groups.append(np.array([float(f"{leading}{'1' if not leading else '0'}{f'{v:.1f}'[1:]}") for v in steps]))
    assert analysed(groups)[0] == pytest.approx(expected, rel=tolerance)


def test_large_numbers_lose_nothing_of_their_scatter():
    """NIST Statistical Reference Datasets, NumAcc1 and NumAcc4: standard deviations 1 and 0.1."""
    one = [10000001.0, 10000003.0, 10000002.0]
    four = np.append(10000000.2, np.resize([10000000.1, 10000000.3], 1000))
    for values, scatter in ((one, 1.0), (four, 0.1)):
        assert least_squares(np.ones((len(values), 1)), values).scatter == pytest.approx(scatter, rel=1e-8)
        assert float(welch(values, values).scatter) == pytest.approx(scatter, rel=1e-8)
        assert paired(values).scatter == pytest.approx(scatter, rel=1e-8)


def test_how_much_a_column_says_of_its_own():
    age = np.arange(10.0)
    assert share_left(40.0 - 2.0 * age, line(age)) < 1e-20  # fuel burns off as tyres age
    assert share_left(np.resize([0.0, 1.0], 10), line(age)) > 0.9
    assert share_left(np.ones(10), line(age)) == 0.0


# ------------------------------------------------------------------------------ pairs and exchanges


def test_pairs_show_what_groups_hide():
    """Student (1908); R, t.test(extra ~ group, data = sleep): unpaired p 0.07939, paired t -4.0621, p 0.002833."""
    apart, pairs = welch(*SLEEP), paired(np.subtract(SLEEP[1], SLEEP[0]))
    assert abs(float(apart.difference) - float(apart.margin) + 0.2054832) < 5e-8
    assert abs(float(apart.p) - 0.07939) < 5e-6
    assert abs(pairs.difference / (pairs.scatter / math.sqrt(10)) - 4.0621) < 5e-5
    assert abs(pairs.p - 0.002833) < 5e-7


def test_pairs_of_shoes():
    """Box, Hunter and Hunter: mean 0.41, sd 0.387, t 3.3489, p 0.008539; 3 of 1024 exchanges greater and 4 equal."""
    wear = np.subtract(SHOES[1], SHOES[0])
    found = paired(wear)
    assert abs(found.difference - 0.41) < 1e-12
    assert abs(found.scatter - 0.387) < 5e-4
    assert abs(found.p - 0.008539) < 5e-7
    assert [found.difference - found.margin, found.difference + found.margin] == pytest.approx(
        [0.1330461, 0.6869539], abs=5e-8
    )
    assert exchange_signs(wear) == pytest.approx(2 * (3 + 4) / 1024, abs=1e-12)


def test_every_exchange_of_the_maize_is_tried():
    """Fisher (1935), section 21: 835 sums above 314 and 28 equal, of 32768."""
    assert exchange_signs(MAIZE) == pytest.approx(2 * (835 + 28) / 32768, abs=1e-12)
    drawn = exchange_signs(MAIZE, resamples=9999, seed=3)
    assert abs(drawn - 0.05267) < 3 * math.sqrt(0.05267 * 0.95 / 9999)


def test_few_laps_are_exchanged_in_every_way():
    a, b = [30.1, 30.2, 30.3], [30.4, 30.5, 30.6]
    assert exchange_groups(a, b) == pytest.approx(2 / 20)
    rest = np.concatenate([a, b]) - 30.35
    assert exchange_residuals(rest, [-1, -1, -1, 1, 1, 1]) == pytest.approx(2 / 20)
    many = np.random.default_rng(1).normal(np.array([[0.0], [0.9]]), 1.0, (2, 12))
    drawn = exchange_residuals(many.ravel() - many.mean(), np.repeat([-1.0, 1.0], 12))
    assert abs(drawn - stats.ttest_ind(*many).pvalue) < 0.02


def test_too_few_to_exchange_is_not_known():
    assert math.isnan(exchange_signs([0.1]))
    assert math.isnan(exchange_groups([], [1.0, 2.0]))
    assert math.isnan(exchange_residuals([0.1, -0.1], [1, -1]))
    assert math.isnan(paired([]).difference)
    assert math.isnan(paired([0.1]).margin)


# ------------------------------------------------------------------------------ robust


def test_slopes_by_pairs():
    """Sen (1968): slope 4, 93 % interval 26/7 to 35/8."""
    found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], confidence=0.93)
    assert [found.slope, found.low, found.high] == pytest.approx([4.0, 26 / 7, 35 / 8])


def test_a_steady_trend():
    """Hollander and Wolfe (1973), p. 187: tau 0.4444, two-sided p 0.1194."""
    x = [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1]
    found = theil_sen(x, [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8])
    assert abs(found.tau - 0.4444444) < 5e-8
    assert abs(found.p - 0.1194) < 5e-5


@given(st.integers(0, 10_000), st.integers(4, 30))
def test_slopes_by_pairs_are_those_of_scipy(seed, count):
    rng = np.random.default_rng(seed)
    x, y = np.round(rng.uniform(0, 20, count)), np.round(rng.normal(size=count), 1)
    found = theil_sen(x, y)
    if np.ptp(x) == 0:
        assert math.isnan(found.slope)
        return
    other = stats.theilslopes(y, x)
    assert [found.slope, found.low, found.high] == pytest.approx([other.slope, other.low_slope, other.high_slope])


def test_runs_may_start_from_different_times():
    age = np.tile(np.arange(8.0), 2)
    run = np.repeat([0, 1], 8)
    found = theil_sen(age, 30.0 + 0.02 * age + 3.0 * run, group=run)
    assert [found.slope, found.low, found.high] == pytest.approx([0.02] * 3)
    assert found.p < 1e-5


def test_odd_laps_do_not_pull():
    rng = np.random.default_rng(2)
    age = np.arange(20.0)
    times = 30.0 + 0.03 * age + rng.normal(0, 0.05, 20)
    clean = robust_fit(line(age), times)
    odd = times.copy()
    odd[[3, 9, 15]] += [0.8, 2.0, 0.6]
    fit = robust_fit(line(age), odd)
    assert np.abs(fit.coefficients - clean.coefficients).max() < 0.02
    assert fit.weights[[3, 9, 15]].tolist() == [0, 0, 0]
    assert abs(least_squares(line(age), odd).coefficients[0] - 30.0) > 0.1  # least squares is pulled
    few = robust_fit(line(age[:3]), times[:3])
    assert few.weights.tolist() == [1, 1, 1]


def test_laps_without_scatter_are_fitted_exactly():
    fit = robust_fit(line(np.arange(8.0)), 30.0 + 0.5 * np.arange(8.0))
    assert fit.coefficients == pytest.approx([30.0, 0.5], abs=1e-9)
    assert fit.scatter < 1e-6


def test_robust_intervals_hold_the_truth():
    """600 fits each, from none to a tenth of odd laps: 93 to 97 % hold."""
    rng = np.random.default_rng(4)
    age = np.arange(14.0)
    design, limit = np.column_stack([np.ones(28), np.repeat([0.0, 1.0], 14), np.tile(age, 2)]), []
    for share in (0.0, 0.05, 0.1):
        held = 0
        for _ in range(600):
            times = rng.normal(0, 0.08, 28) + (rng.uniform(size=28) < share) * rng.uniform(0.3, 2.0, 28)
            fit = robust_fit(design, times)
            held += abs(fit.coefficients[1]) <= fit.margin([0, 1, 0])[0]
        limit.append(held / 600)
    assert min(limit) >= 0.93
    assert max(limit) <= 0.98


def test_a_bend_is_found_and_none_where_there_is_none():
    rng = np.random.default_rng(5)
    age = np.arange(24.0)
    found, false, near = 0, 0, 0
    for _ in range(200):
        straight = 30.0 + 0.02 * age + rng.normal(0, 0.05, 24)
        bent = straight + 0.06 * np.maximum(age - 14, 0)
        for times, is_bent in ((straight, False), (bent, True)):
            bend = find_bend(line(age), age, robust_fit(line(age), times), resamples=299)
            stated = bend is not None and bend.p < 0.01
            found += stated and is_bent
            false += stated and not is_bent
            near += stated and is_bent and bend.low <= 14 <= bend.high
    assert found >= 190
    assert false <= 8  # 1 % of 200, and what chance adds to it in one of ten thousand
    assert near >= 0.9 * found
    assert find_bend(line(age[:6]), age[:6], robust_fit(line(age[:6]), straight[:6])) is None


def test_a_quantile_needs_freedom():
    assert quantile(10.0) == pytest.approx(stats.t.ppf(0.975, 10))
    assert math.isnan(quantile(0.0))
    assert all(
        math.isnan(v)
        for v in nested(least_squares(np.ones((3, 1)), [1.0, 2, 3]), least_squares(np.eye(3), [1.0, 2, 3]))
    )

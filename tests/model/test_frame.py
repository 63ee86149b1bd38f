import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from lapkit import FrameError
from lapkit.model.frame import attribute, brackets, grid, resample


def test_grid_labels_are_integers_times_step():
    places = grid(1234.56, 0.1)
    assert places[0] == 0.0
    assert np.array_equal(places, np.arange(12346) * 0.1)


@given(st.floats(1.0, 5e4), st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0, 5.0]))
def test_grid_covers_the_track_and_no_more(length, step):
    places = grid(length, step)
    assert places[-1] <= length * (1 + 1e-12)
    assert length - places[-1] < step * (1 + 1e-9)


def test_two_grids_share_every_label():
    short, long = grid(999.4, 0.3), grid(1003.2, 0.3)
    assert np.array_equal(short, long[: len(short)])


@pytest.mark.parametrize(("length", "step", "match"), [
    (1000.0, 0.0, "step=0.0 is not a distance"),
    (1000.0, -1.0, "metres above zero"),
    (1000.0, float("nan"), "step=nan"),
    (float("inf"), 1.0, "cannot carry a distance grid"),
    (1e12, 1.0, "check the unit of position or distance"),
])  # fmt: skip
def test_grid_refuses_what_it_cannot_build(length, step, match):
    with pytest.raises(FrameError, match=match):
        grid(length, step)


def test_resampling_equals_linear_interpolation():
    rng = np.random.default_rng(0)
    nodes = np.cumsum(rng.uniform(0.2, 2.0, 500))
    block = rng.normal(size=(500, 5))
    places = np.linspace(nodes[0], nodes[-1], 801)
    before, weight = brackets(nodes, places)
    out = resample(list(block.T), before, weight, np.array([4])).T
    for column in range(4):
        np.testing.assert_allclose(out[:, column], np.interp(places, nodes, block[:, column]), atol=1e-12)
    held = block[np.searchsorted(nodes, places, side="right").clip(1, 500) - 1, 4]
    assert np.array_equal(out[:, 4], held)


def test_resampling_never_overshoots_monotone_data():
    """Data of Fritsch and Carlson (1980), set RPN 14, as printed with the NAG e01be example.

    A monotone interpolant stays within [0, 1] and between its neighbours; SciPy's PCHIP gives the
    printed 0.4640 at 9.191, and the linear interpolation used here stays inside the same bracket.
    """
    x = np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10.0, 12.0, 15.0, 20.0])
    y = np.array([0.0, 0.27643e-4, 0.4375e-1, 0.16918, 0.46943, 0.94374, 0.99864, 0.99992, 0.99999])
    at = np.array([9.191, 10.392, 11.593])
    np.testing.assert_allclose(PchipInterpolator(x, y)(at), [0.4640, 0.9645, 0.9965], atol=5e-5)
    dense = np.linspace(x[0], x[-1], 2001)
    before, weight = brackets(x, dense)
    ours = resample([y], before, weight, np.empty(0, dtype=np.intp))[0]
    assert (np.diff(ours) >= 0).all()
    assert ours.min() >= 0.0
    assert ours.max() <= 1.0


def test_outside_the_samples_is_missing():
    before, weight = brackets(np.array([1.0, 2.0, 3.0]), np.array([0.5, 1.0, 3.0, 3.5]))
    assert np.isnan(weight[[0, 3]]).all()
    assert np.isfinite(weight[[1, 2]]).all()
    out = resample([np.arange(3.0)], before, weight, np.array([0]))[0]
    assert np.isnan(out[[0, 3]]).all()


def test_a_frame_without_attributes_says_what_to_do():
    with pytest.raises(FrameError, match=r"give a frame from session\.lap\(n\)"):
        attribute(pd.DataFrame(), "lap_time")

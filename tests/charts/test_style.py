"""Writing pictures, and text from files."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from lapkit.charts import save
from lapkit.charts.style import plain
from lapkit.errors import LapkitError

HEADS = {".png": b"\x89PNG\r\n\x1a\n", ".pdf": b"%PDF-", ".svg": b"<?xml"}


@pytest.fixture
def axes():
    return Figure().subplots(2)


@pytest.mark.parametrize("suffix", [".png", ".pdf", ".svg", ".PNG"])
def test_the_ending_says_the_kind(tmp_path, axes, suffix):
    target = tmp_path / f"picture{suffix}"
    assert save(axes, target) == target
    assert target.read_bytes().startswith(HEADS[suffix.lower()])


def test_takes_one_axes_several_or_a_figure(tmp_path, axes):
    nested = axes[0].figure.subfigures(1)
    for k, chart in enumerate((axes[0], list(axes), np.array([list(axes)]), axes[0].figure, nested.subplots())):
        assert save(chart, str(tmp_path / f"{k}.svg")).stat().st_size > 1000


def test_an_older_picture_is_replaced(tmp_path, axes):
    target = tmp_path / "picture.svg"
    target.write_text("old")
    save(axes, target)
    assert target.read_bytes().startswith(b"<?xml")


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("picture.bmp", r"picture\.bmp: the ending '\.bmp' names no kind of picture; use one of: \.png, \.pdf, \.svg"),
        ("picture", r"picture: no ending names no kind of picture"),
        ("nowhere/picture.png", r"there is no folder '.*nowhere'; make it first"),
    ],
)
def test_a_path_that_cannot_be_written_to(tmp_path, axes, name, said):
    with pytest.raises(LapkitError, match=said):
        save(axes, tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_a_folder_in_the_way(tmp_path, axes):
    (tmp_path / "picture.png").mkdir()
    with pytest.raises(LapkitError, match=r"picture\.png: the picture cannot be written \(Is a directory\)"):
        save(axes, tmp_path / "picture.png")


@pytest.mark.parametrize("chart", [None, "picture", [], 7])
def test_what_is_no_chart(tmp_path, chart):
    with pytest.raises(LapkitError, match=f"found {type(chart).__name__}, expected what a chart function returned"):
        save(chart, tmp_path / "picture.png")


@pytest.mark.parametrize(
    ("text", "shown"),
    [("run 7.csv", "run 7.csv"), ("a\tb\x00c", "a b?c"), ("走行", "??"), ("Zoë $5", "Zoë $5"), ("", "")],
)
def test_plain_text(text, shown):
    assert plain(text) == shown


@pytest.mark.parametrize("limit", [3, 8, 9, 40])
def test_long_text_keeps_its_ends(limit):
    shown = plain("a" * 60 + "z" * 60, limit)
    assert len(shown) == limit and shown[0] == "a" and shown[-1] == "z" and "…" in shown

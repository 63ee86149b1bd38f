"""Every notebook runs from top to bottom, from its own folder or the project's, and is kept without outputs."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

import lapkit

ROOT = Path(__file__).resolve().parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def read(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    return notebook


def executed(notebook, folder):
    client = NotebookClient(notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}})
    client.execute()  # raises CellExecutionError with the traceback of the cell
    return [output for cell in notebook.cells for output in cell.get("outputs", [])]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_kept_without_outputs(path):
    for cell in read(path).cells:
        assert not cell.get("outputs") and cell.get("execution_count") is None, f"clear the outputs of {path.name}"
        assert not set(cell.metadata) - {"tags"}, f"clear the cell metadata of {path.name}"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_from_its_own_folder(path):
    notebook = read(path)
    outputs = executed(notebook, path.parent)
    assert not [output for output in outputs if output.output_type == "error" or output.get("name") == "stderr"]
    charts = sum(cell.source.count("charts.") for cell in notebook.cells if cell.cell_type == "code")
    assert sum("image/png" in output.get("data", {}) for output in outputs) == charts


def test_why_was_this_lap_slower_takes_another_file():
    """The one line to change, changed: a file without a lap column, run from the project's folder."""
    notebook = read(ROOT / "notebooks" / "why_was_this_lap_slower.ipynb")
    cell = next(cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.startswith("FILE = "))
    cell.source = f"FILE = {str(ROOT / 'sample_data' / 'oval_awkward.csv')!r}"
    outputs = executed(notebook, ROOT)
    assert not [output for output in outputs if output.output_type == "error" or output.get("name") == "stderr"]


def lap_samples(laps, **drop):
    """Part of the oval run, invented: laps 1 to `laps`, and a little beyond, without some columns."""
    samples = lapkit.load(ROOT / "sample_data" / "oval_run.csv").samples()
    inside = (samples["lap"] >= 1) & (samples["time"] < samples["time"][samples["lap"] == laps + 1].iloc[0] + 2.0)
    return samples.loc[inside, ["time", *drop.get("keep", ["lap", "x", "y", "speed", "throttle"])]]


ONE_LINE = {'TRACK = "sample_data/marlow_basin.toml"': "TRACK = None"}


@pytest.mark.parametrize(
    ("stem", "laps", "keep", "other", "sentence"),
    [
        ("why_was_this_lap_slower", 1, None, {}, "besides lap 1"),
        (
            "why_was_this_lap_slower",
            3,
            ["lap", "speed"],
            {},
            "",
        ),  # no position and no throttle: all that there is, is shown
        ("high_line_or_low_line", 3, None, ONE_LINE, "There are not two lines here"),
        ("what_happens_over_a_run", 3, ["speed"], {}, "lap.csv: "),
        ("which_gear", 3, None, {}, "engine_speed"),
    ],
)
def test_a_file_that_lacks_something_is_told_so_in_a_sentence(stem, laps, keep, other, sentence, tmp_path):
    file = tmp_path / "lap.csv"
    lap_samples(laps, **({"keep": keep} if keep else {})).rename(columns={"speed": "speed [m/s]"}).to_csv(
        file, index=False
    )
    notebook = read(ROOT / "notebooks" / f"{stem}.ipynb")
    first = next(cell for cell in notebook.cells if cell.cell_type == "code")
    lines = [f"FILE = {str(file)!r}" if line.startswith("FILE = ") else line for line in first.source.splitlines()]
    first.source = "\n".join(lines)
    for old, new in other.items():
        assert old in first.source
        first.source = first.source.replace(old, f"{new}  #")
    outputs = executed(notebook, ROOT)  # raises with a traceback
    assert not [output for output in outputs if output.output_type == "error"]
    printed = " ".join("".join(output.get("text", "") for output in outputs).split())
    assert sentence in printed


def test_a_mistake_of_ones_own_keeps_its_traceback():
    cells = ["from lapkit.notebook import say_plainly\nsay_plainly()", "1 +\\\n 1", "nmae"]
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    with pytest.raises(CellExecutionError, match="nmae"):
        executed(notebook, ROOT)
    assert notebook.cells[1].outputs[0]["data"]["text/plain"] == "2"

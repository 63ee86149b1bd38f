"""Every notebook runs from top to bottom, from its own folder or the project's, and is kept without outputs."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

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

"""The package as a whole: what it loads, what stands at its top, whether its words are in the glossary."""

import ast
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import lapkit
from lapkit.channels import CHANNELS, COLUMNS, SI_UNIT, UNITS

ROOT = Path(__file__).parents[1]
HEAVY = ("matplotlib", "scipy.stats", "pyarrow.dataset", "jupyter", "IPython", "scipy.signal", "scipy.interpolate")


def loaded_by(code: str) -> set[str]:
    out = subprocess.run(
        [sys.executable, "-c", f"import sys\n{code}\nprint('\\n'.join(sys.modules))"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(out.stdout.split())


def test_importing_lapkit_loads_nothing_heavy():
    modules = loaded_by("import lapkit")
    assert not [name for name in HEAVY if name in modules]
    assert not [name for name in modules if name.startswith("lapkit.") and name != "lapkit.errors"]


def test_every_public_name_is_there_and_documented():
    for name in lapkit.__all__:
        thing = getattr(lapkit, name)
        assert inspect.getdoc(thing), name
    assert set(dir(lapkit)) == set(lapkit.__all__)
    with pytest.raises(AttributeError, match="no attribute 'telemetry'"):
        _ = lapkit.telemetry


def test_only_the_agreed_names_stand_at_the_top():
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split(
        "\n"
    )
    top = {line.split("/")[0] for line in listed if line and not line.startswith(".")}
    if not top:
        pytest.skip("not a git checkout")
    assert top <= {"README.md", "DEVELOPERS.md", "pyproject.toml", "lapkit", "notebooks", "sample_data", "tests"}


def imports_of(folder: str, depth: int = 1) -> set[str]:
    """Which parts of lapkit the modules of a folder use, by so many names below the package."""
    found = set()
    for file in (ROOT / "lapkit" / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("lapkit."):
                found.add("/".join(node.module.split(".")[1 : 1 + depth]))
    return found


@pytest.mark.parametrize(("folder", "may_use"), [
    ("model", {"model", "channels", "errors"}),
    ("importers", {"importers", "model", "channels", "errors"}),
    ("analysers", {"analysers", "model", "channels", "errors"}),
    ("charts", {"charts", "analysers", "model", "channels", "errors"}),
])  # fmt: skip
def test_arrows_point_one_way(folder, may_use):
    assert imports_of(folder) <= may_use


@pytest.mark.parametrize(("folder", "may_use"), [
    ("statistics", set()),
    ("lap", set()),
    ("ledger", {"lap"}),
    ("lines", {"lap", "ledger", "statistics"}),
    ("gears", {"lap", "ledger"}),
    ("oddities", {"lap", "ledger"}),
    ("setups", {"lap", "oddities", "statistics"}),
    ("balance", {"ledger", "lines", "statistics"}),
])  # fmt: skip
def test_arrows_between_analysers_point_one_way(folder, may_use):
    used = {name.split("/")[1] for name in imports_of(f"analysers/{folder}", 2) if name.startswith("analysers/")}
    assert used - {folder} == may_use
    assert {path.name for path in (ROOT / "lapkit" / "analysers").iterdir() if path.is_dir()} >= {folder}


def test_every_dimension_has_an_si_unit_of_factor_one():
    for dimension, unit in SI_UNIT.items():
        assert UNITS[dimension][unit] == (1.0, 0.0)
    assert {c.dimension for c in CHANNELS.values()} | {d for d, _ in COLUMNS.values()} <= set(SI_UNIT)


def test_every_column_of_every_table_is_in_the_glossary():
    from lapkit.channels import UNCERTAINTY

    session = lapkit.load(ROOT / "sample_data" / "road_course.csv")
    lap, reference = session.lap(1), session.best()
    change = lapkit.delta(lap, reference)
    tables = [session.laps, session.track.corners, lapkit.lifts(session), lapkit.corners(session),
              lapkit.line_speed(session), change, lapkit.losses(change), lap, session.samples(1)]  # fmt: skip
    for table in tables:
        for name in table.columns:
            assert str(name).removesuffix(UNCERTAINTY) in {*CHANNELS, *COLUMNS}, name


def test_public_parameters_are_spelled_as_in_the_glossary():
    """No parameter repeats a channel under another name."""
    other_names = {alias.replace(" ", "_") for c in CHANNELS.values() for alias in c.aliases} - {*CHANNELS, *COLUMNS}
    for name in lapkit.__all__:
        thing = getattr(lapkit, name)
        if inspect.isfunction(thing):
            assert not set(inspect.signature(thing).parameters) & (other_names - {"track", "path", "laps"}), name


def test_public_functions_leave_their_frames_alone():
    session = lapkit.load(ROOT / "sample_data" / "oval_run.csv")
    lap, reference = session.lap(9), session.best()
    before = [lap.copy(), reference.copy()]
    lapkit.delta(lap, reference)
    lapkit.lifts(lap)
    lapkit.corners(lap)
    lapkit.readable(lap)
    assert lap.equals(before[0])
    assert reference.equals(before[1])

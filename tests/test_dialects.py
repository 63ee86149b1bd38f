"""The same laps in every dialect give the same frames."""

import gzip

import numpy as np
import pandas as pd
import pytest

import lapkit
from lapkit.simulate import oval, stint

LINE = oval().start_line
NAMES = {"time": "Time", "x": "Pos X", "y": "Pos Y", "speed": "Speed", "throttle": "Throttle", "yaw_rate": "Yaw Rate"}
UNITS = {"time": "s", "x": "m", "y": "m", "speed": "m/s", "throttle": "%", "yaw_rate": "rad/s"}


@pytest.fixture(scope="module")
def samples():
    table, _ = stint(laps=2, rate=20.0, seed=8, channels=tuple(NAMES))
    table["throttle"] *= 100.0
    return table.round(6)


@pytest.fixture(scope="module")
def expected(samples, tmp_path_factory):
    path = tmp_path_factory.mktemp("clean") / "run.csv"
    headed(samples).to_csv(path, index=False)
    session = lapkit.load(path, start_line=LINE)
    return [session.lap(n) for n in (1, 2)]


def headed(samples, units=UNITS):
    return samples.rename(columns={name: f"{NAMES[name]} ({units[name]})" for name in samples})


def check(path, expected, *, atol=2e-5, **options):
    session = lapkit.load(path, start_line=LINE, **options)
    for number, want in zip((1, 2), expected, strict=True):
        frame = session.lap(number)[want.columns]
        np.testing.assert_allclose(frame.to_numpy(), want.to_numpy(), atol=atol)


def written(samples, tmp_path, *, sep=",", decimal=".", end="\n", encoding="utf-8", head="", between="", table=None):
    """Write by hand what the writers of other programs write."""
    text = (headed(samples) if table is None else table).to_csv(
        index=False, sep=sep, decimal=decimal, lineterminator="\n"
    )
    first, rest = text.split("\n", 1)
    path = tmp_path / "run.csv"
    path.write_bytes((head + first + "\n" + between + rest).replace("\n", end).encode(encoding))
    return path


@pytest.mark.parametrize("options", [
    {"sep": ";"},
    {"sep": "\t"},
    {"sep": "|"},
    {"sep": ";", "decimal": ","},
    {"sep": "\t", "decimal": ","},
    {"end": "\r\n"},
    {"end": "\r"},
    {"encoding": "utf-8-sig"},
    {"encoding": "utf-16"},
    {"encoding": "utf-16-le"},
    {"encoding": "cp1252", "head": "Driver: Zoë (invented)\nTrack: Fößweg (invented)\n\n"},
    {"head": "# "},
    {"head": "#"},
    {"head": "Track: Marlow Basin Oval (invented)\nCar,41\n\nComment: a, b; c\n"},
    {"head": "\n\n\n"},
    {"between": "\n"},
    {"sep": ";", "decimal": ",", "end": "\r\n", "encoding": "cp1252", "head": "Straße: Rübenweg (invented)\n\n"},
], ids=str)  # fmt: skip
def test_dialects(samples, expected, tmp_path, options):
    check(written(samples, tmp_path, **options), expected)


def test_units_row(samples, expected, tmp_path):
    plain = samples.rename(columns=NAMES)
    row = ",".join(UNITS[name] for name in samples) + "\n"
    check(written(samples, tmp_path, table=plain, between=row), expected)
    check(written(samples, tmp_path, table=plain, between=",".join(f"[{UNITS[n]}]" for n in samples) + "\n"), expected)


def test_column_order_does_not_matter(samples, expected, tmp_path):
    for seed in range(5):
        order = np.random.default_rng(seed).permutation(samples.columns)
        check(written(samples[order], tmp_path), expected)


def test_quoted_and_thousands(samples, expected, tmp_path):
    text = headed(samples).map(lambda v: f'"{v:,.6f}"').to_csv(index=False, quoting=3, escapechar="\\")
    path = tmp_path / "run.csv"
    path.write_text(text.replace("\\", ""), encoding="utf-8")
    check(path, expected)


def test_repeated_header_trailing_commas_and_a_cut_off_last_line(samples, expected, tmp_path):
    lines = headed(samples).to_csv(index=False).splitlines()
    lines = [*lines[:400], lines[0], *lines[400:], lines[-1][: len(lines[-1]) // 2]]
    path = tmp_path / "run.csv"
    path.write_text("\n".join(line + "," for line in lines[:-1]) + "\n" + lines[-1], encoding="utf-8")
    check(path, expected)
    provenance = lapkit.load(path).recording.provenance
    said = " ".join(provenance.notes + provenance.warnings)
    assert "header" in said
    assert "last line" in said


def test_gzip(samples, expected, tmp_path):
    path = written(samples, tmp_path)
    packed = tmp_path / "packed.csv"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    check(packed, expected)


@pytest.mark.parametrize(("unit", "factor"), [("km/h", 3.6), ("mph", 3600 / 1609.344), ("kn", 3600 / 1852.0)])
def test_other_units_of_speed(samples, expected, tmp_path, unit, factor):
    table = headed(samples.assign(speed=samples["speed"] * factor), {**UNITS, "speed": unit})
    check(written(samples, tmp_path, table=table), expected)


@pytest.mark.parametrize(("unit", "factor"), [("km/h", 3.6), ("mph", 3600 / 1609.344), ("m/s", 1.0)])
def test_speed_without_a_unit_is_settled_by_position(samples, expected, tmp_path, unit, factor):
    table = headed(samples.assign(speed=samples["speed"] * factor)).rename(columns={"Speed (m/s)": "Speed"})
    path = written(samples, tmp_path, table=table)
    check(path, expected)
    assert lapkit.load(path).recording.provenance.channels["speed"].unit == unit


def stamps(samples, form):
    seconds = samples["time"] + 3.0
    if form == "clock":
        return [f"{int(s // 3600):02d}:{int(s // 60) % 60:02d}:{s % 60:09.6f}" for s in seconds + 3600 * 13]
    if form == "minutes":
        return [f"{int(s // 60):02d}:{s % 60:09.6f}" for s in seconds]
    when = pd.Timestamp("2031-06-14T13:00:00") + pd.to_timedelta(seconds, unit="s")
    return [t.isoformat(timespec="microseconds") + form for t in when]


@pytest.mark.parametrize("form", ["clock", "minutes", "", "Z", "+02:00"])
def test_times_written_as_clocks_and_dates(samples, expected, tmp_path, form):
    table = headed(samples).rename(columns={"Time (s)": "Time"})
    table["Time"] = stamps(samples, form)
    check(written(samples, tmp_path, table=table), expected, atol=1e-3)


@pytest.mark.parametrize(("unit", "factor"), [("ms", 1e3), ("us", 1e6), ("ns", 1e9)])
def test_times_in_smaller_units(samples, expected, tmp_path, unit, factor):
    table = headed(samples).rename(columns={"Time (s)": f"Time ({unit})"})
    table[f"Time ({unit})"] = (samples["time"] * factor).round(3)
    check(written(samples, tmp_path, table=table), expected, atol=1e-3)


@pytest.mark.parametrize("factor", [1.0, 1e3, 1e6, 1e9])
def test_epoch_times(samples, expected, tmp_path, factor):
    table = headed(samples).rename(columns={"Time (s)": "Timestamp"})
    table["Timestamp"] = [round((1939209600 + t) * factor, 4) for t in samples["time"]]
    check(written(samples, tmp_path, table=table), expected, atol=2e-3)

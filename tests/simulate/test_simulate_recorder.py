"""The recorder and the files it writes."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lapkit.channels import CHANNELS
from lapkit.errors import LapkitError, UnitError
from lapkit.simulate import CONSUMER, Noise, demo_files, record, stint, write_csv
from lapkit.simulate.__main__ import main
from lapkit.simulate.recorder import CHANNELS_RECORDED, geodetic

SAMPLES = Path(__file__).parents[2] / "sample_data"


def earth_centred(lat: np.ndarray, lon: np.ndarray, height: float) -> np.ndarray:
    """EPSG method 9602."""
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    n = a / np.sqrt(1 - e2 * np.sin(lat) ** 2)
    return np.stack(
        [
            (n + height) * np.cos(lat) * np.cos(lon),
            (n + height) * np.cos(lat) * np.sin(lon),
            (n * (1 - e2) + height) * np.sin(lat),
        ]
    )


def east_north(lat: np.ndarray, lon: np.ndarray, height: float, origin: tuple[float, float, float]) -> np.ndarray:
    """EPSG method 9836 on top of 9602."""
    phi, lam, base = origin
    d = earth_centred(lat, lon, height) - earth_centred(np.array([phi]), np.array([lam]), base)
    east = -np.sin(lam) * d[0] + np.cos(lam) * d[1]
    north = -np.sin(phi) * np.cos(lam) * d[0] - np.sin(phi) * np.sin(lam) * d[1] + np.cos(phi) * d[2]
    return np.stack([east, north])


def test_geodetic_undoes_the_published_conversion() -> None:
    """IOGP Publication 373-7-2: its worked example checks the forward formula, which `geodetic` must undo."""
    lat, lon = np.radians([53 + 48 / 60 + 33.820 / 3600]), np.radians([2 + 7 / 60 + 46.380 / 3600])
    printed = east_north(lat, lon, 73.0, (np.radians(55.0), np.radians(5.0), 200.0))
    assert np.allclose(printed[:, 0], (-189013.869, -128642.040), atol=1e-3)

    rng = np.random.default_rng(0)
    east, north = rng.uniform(-1500, 1500, (2, 100))
    for origin in ((0.8, 0.2), (-0.6, -1.9), (1.2, 3.0)):
        back = east_north(*geodetic(east, north, origin), 0.0, (*origin, 0.0))
        assert np.allclose(back, [east, north], atol=1e-3)  # heights differ by up to 0.4 m, seen at 1500 m


def test_samples_are_the_truth() -> None:
    table, truth = stint(laps=2, rate=30.0, seed=3, phase=0.25, clock_start=100.0, channels=CHANNELS_RECORDED)
    assert list(table.columns) == list(CHANNELS_RECORDED)
    assert set(table.columns) <= set(CHANNELS)
    time = table["time"].to_numpy() - table.attrs["clock_offset"]
    assert table["time"].iloc[0] == 100.0
    assert np.allclose(np.diff(time), 1 / 30)
    assert np.allclose(table["speed"], truth.speed(time), rtol=0, atol=1e-9)
    assert np.allclose(table["throttle"], truth.throttle(time), rtol=0, atol=1e-9)
    shape = truth.shape(time)
    assert np.allclose(np.stack(truth.track.xy(shape["station"], shape["offset"])), table[["x", "y"]].to_numpy().T)
    assert sorted(table["lap"].unique()) == [0, 1, 2, 3]
    assert np.allclose(np.gradient(table["odometer"], time)[1:-1], table["speed"][1:-1], atol=0.02)
    assert np.allclose(table["lateral_acceleration"], table["speed"] * table["yaw_rate"], rtol=0.01, atol=0.05)
    first = float(truth.run_distance(time[0]))
    assert first == pytest.approx(-150.0, abs=0.25 * 46 / 30 + 0.1)


@pytest.mark.parametrize("rate", [10.0, 37.0, 100.0])
def test_rate_and_phase(rate: float) -> None:
    _, truth = stint(laps=1, seed=1)
    tables = [record(truth, rate, phase=phase, out_lap=50.0, in_lap=50.0) for phase in (0.0, 0.5)]
    starts = [t["time"].iloc[0] - t.attrs["clock_offset"] for t in tables]
    assert starts[1] - starts[0] == pytest.approx(0.5 / rate, abs=1e-9)


def test_noise_is_as_asked() -> None:
    _, truth = stint(laps=6, seed=1)
    clean = record(truth, 50.0, phase=0.0)
    noise = Noise(position=0.2, speed=0.1, yaw_rate=0.02, speed_step=0.01, throttle_step=0.01)
    dirty = record(truth, 50.0, phase=0.0, noise=noise, seed=8)
    assert (dirty["x"] - clean["x"]).std() == pytest.approx(0.2, rel=0.05)
    assert (dirty["speed"] - clean["speed"]).std() == pytest.approx(0.1, rel=0.05)
    assert (dirty["yaw_rate"] - clean["yaw_rate"]).std() == pytest.approx(0.02, rel=0.05)
    assert np.allclose(dirty["speed"] * 100, np.round(dirty["speed"] * 100))
    assert np.allclose(dirty["throttle"] * 100, np.round(dirty["throttle"] * 100))
    wander = record(truth, 50.0, phase=0.0, noise=Noise(position_wander=0.5, wander_time=5.0))["x"] - clean["x"]
    assert wander.autocorr(lag=250) == pytest.approx(np.exp(-1), abs=0.25)
    again = record(truth, 50.0, phase=0.0, noise=noise, seed=8)
    pd.testing.assert_frame_equal(dirty, again)


def test_slow_position_and_full_throttle() -> None:
    table, _ = stint(laps=1, rate=20.0, position_every=4, full_throttle=0.987, noise=CONSUMER)
    assert table["x"].notna().mean() == pytest.approx(0.25, abs=0.01)
    assert table["speed"].notna().all()
    assert 0.98 <= table["throttle"].median() <= 0.99


def test_unknown_channel() -> None:
    with pytest.raises(LapkitError, match=r"cannot record lunch; choose from: time, x"):
        stint(laps=1, channels=["time", "lunch"])


def test_write_csv_dialect(tmp_path: Path) -> None:
    table = pd.DataFrame({"time": [59.9996, 60.25], "speed": [26.8224, np.nan], "gear": [3, 4]})
    write_csv(
        table, tmp_path / "a.csv", delimiter=";", decimal=",", units={"speed": "mph"}, units_row={"time": "min:s", "speed": "mph"},
        preamble=["Driver: X", ""], headers={"speed": "V"}, time_format="mm:ss", repeat_header_every=1, newline="\r\n",
    )  # fmt: skip
    assert (tmp_path / "a.csv").read_bytes().decode().split("\r\n") == [
        "Driver: X", "", "time;V;gear", "min:s;mph;", "01:00,000;60,000;3", "time;V;gear", "min:s;mph;", "01:00,250;;4", "",
    ]  # fmt: skip
    with pytest.raises(UnitError, match="'bar' is not a unit of speed"):
        write_csv(table, tmp_path / "b.csv", units={"speed": "bar"})


def test_sample_data_can_be_made_again(tmp_path: Path) -> None:
    truths = demo_files(tmp_path)
    sizes = []
    for name in truths:
        made = (tmp_path / name).read_bytes()
        assert made == (SAMPLES / name).read_bytes(), f"{name} differs: run python -m lapkit.simulate sample_data"
        sizes.append(len(made))
    assert max(sizes) < 1.5e6
    assert sum(sizes) < 3e6
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    for name, truth in truths.items():
        times = " ".join(f"{t:.3f}" for t in truth.laps["lap_time"])
        assert f"| `{name}` | {times} |" in readme
    times = truths["oval_run.csv"].laps["lap_time"]
    assert times.iloc[-1] - times.min() == pytest.approx(0.07, abs=0.005)
    assert times.iloc[-1] == times.max()


def test_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "missing")]) == 2
    assert "there is no folder" in capsys.readouterr().err
    assert main([str(tmp_path)]) == 0
    said = capsys.readouterr().out.count("true lap times")
    assert said >= 4 and len(list(tmp_path.glob("*.csv"))) == said + 1  # and the centre line

"""An invented closed course driven at a steady rate, and tables made of its channels."""

from types import SimpleNamespace

import numpy as np
import pyarrow as pa

from lapkit.importers.raw import RawTable


def drive(*, laps=4.0, rate=20.0, lap_time=30.0):
    """A car on a closed curve with left and right turns: exact channels in SI."""
    t = np.arange(round(laps * lap_time * rate)) / rate
    a = 2 * np.pi * (t / lap_time + 0.004 * np.sin(2 * np.pi * t / lap_time))
    da = 2 * np.pi / lap_time * (1 + 0.004 * 2 * np.pi * np.cos(2 * np.pi * t / lap_time))
    dda = -2 * np.pi / lap_time * 0.004 * (2 * np.pi) ** 2 / lap_time * np.sin(2 * np.pi * t / lap_time)
    x, y = 250 * np.cos(a) + 60 * np.cos(2 * a), 160 * np.sin(a) + 50 * np.sin(3 * a)
    xa, ya = -250 * np.sin(a) - 120 * np.sin(2 * a), 160 * np.cos(a) + 150 * np.cos(3 * a)
    xaa, yaa = -250 * np.cos(a) - 240 * np.cos(2 * a), -160 * np.sin(a) - 450 * np.sin(3 * a)
    size = np.hypot(xa, ya)
    speed = size * da
    curvature = (xa * yaa - ya * xaa) / size**3
    acceleration = (xa * xaa + ya * yaa) / size * da**2 + size * dda
    path = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))))
    lap = np.floor(t / lap_time)
    start = path[np.searchsorted(t, lap * lap_time)]
    return SimpleNamespace(
        time=t, x=x, y=y, speed=speed, heading=np.arctan2(ya, xa), yaw_rate=curvature * speed, curvature=curvature,
        lateral=curvature * speed**2, longitudinal=acceleration, path=path, lap=lap, lap_distance=path - start,
        throttle=0.5 + 0.5 * np.sin(5 * a), steering=35 * curvature, latitude=50 + y / 111229.0,
        longitude=8 + x / 71695.0,
    )  # fmt: skip


def table(columns, units=None, **rest):
    """A RawTable of headers and values; lists of words become columns of words."""
    numbers, texts = {}, {}
    for header, values in columns.items():
        if isinstance(values, np.ndarray) and values.dtype.kind in "fiu":
            numbers[header] = values.astype(np.float64)
        else:
            texts[header] = pa.chunked_array([pa.array(list(values), pa.string())])
    return RawTable("run.csv", numbers, texts, list(columns), units or {}, **rest)

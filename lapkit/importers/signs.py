"""Which way is positive: channels that turn with the car are held against its path (ISO 8855, left positive)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.importers.clock import Clock
from lapkit.importers.columns import Columns
from lapkit.importers.evidence import Windows, correlation
from lapkit.importers.headers import Assignment
from lapkit.importers.raw import RawTable
from lapkit.model.recording import Provenance

FloatArray = NDArray[np.float64]


def check_signs(
    raw: RawTable, columns: Columns, clock: Clock, windows: Windows, provenance: Provenance, *, opposite: float = -0.5
) -> None:
    """Turn over channels that run against the turns of the path; without a path, say if two disagree.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    columns : Columns
        Units are decided; signs are changed in place.
    clock : Clock
        Tells the rows and their order.
    windows : Windows
        How the car moved.
    provenance : Provenance
        Receives what was turned over.
    opposite : float
        Correlation below which a channel is turned over. Clean channels lie near -1 or 1.
    """

    def mean(choice: Assignment) -> FloatArray:
        values = raw.numbers[choice.header]
        return windows.mean(values if clock.rows is None else values[clock.rows])[1:-1]

    def present(channel: str) -> Assignment | None:
        choice = columns.channels.get(channel)
        return choice if choice is not None and choice.header in raw.numbers else None

    if windows.moving.any():
        speed = windows.speed[1:-1]
        moving = windows.moving[1:-1] & windows.moving[2:] & windows.moving[:-2]
        curvature = windows.turn / speed
        for channel, expected in (
            ("yaw_rate", windows.turn),
            ("lateral_acceleration", windows.turn * speed),
            ("steering", curvature),
            ("road_wheel_angle", curvature),
            ("curvature", curvature),
        ):
            choice = present(channel)
            found = correlation(expected, mean(choice) * choice.scale, moving) if choice is not None else None
            if choice is not None and found is not None and found < opposite:
                choice.scale, choice.offset = -choice.scale, -choice.offset
                choice.unit_reason += "; turned over, positive to the left"
                provenance.warnings.append(
                    f"{channel} in '{choice.header}' is positive to the right (correlation {found:.2f} with the turns of "
                    "the path): turned over, positive to the left."
                )
        return
    yaw, lateral = present("yaw_rate"), present("lateral_acceleration")
    if yaw is not None and lateral is not None:
        turning = mean(yaw) * yaw.scale
        found = correlation(turning, mean(lateral) * lateral.scale, np.isfinite(turning))
        if found is not None and found < opposite:
            provenance.warnings.append(
                f"yaw rate in '{yaw.header}' and lateral acceleration in '{lateral.header}' have opposite signs "
                f"(correlation {found:.2f}), and without a position it can not be told which is positive to the left."
            )


def check_heading(
    raw: RawTable,
    columns: Columns,
    clock: Clock,
    windows: Windows,
    provenance: Provenance,
    *,
    alike: float = 0.9,
    near: float = np.radians(20.0),
) -> None:
    """Bring the heading to anticlockwise from x, as the direction of travel tells.

    Parameters
    ----------
    raw, columns, clock, windows, provenance
        As for `check_signs`.
    alike : float
        Mean resultant length of heading minus direction above which one follows the other.
    near : float
        Angle within which the difference is taken for a quarter turn or none, rad.

    Notes
    -----
    The heading may differ from the direction of travel by the slip angle, which averages out.
    Compass headings run clockwise from north: direction = pi/2 - heading.
    """
    choice = columns.channels.get("heading")
    if choice is None or choice.header not in raw.numbers or not windows.moving.any():
        return
    values = raw.numbers[choice.header]
    values = values if clock.rows is None else values[clock.rows]
    moving = windows.moving
    best: tuple[float, float, float, str] | None = None
    for unit in [choice.unit] if choice.unit else ["rad", "deg"]:
        scale = np.pi / 180.0 if unit == "deg" else 1.0
        sine, cosine = (windows.at(f(values * scale))[1:-1] for f in (np.sin, np.cos))
        usable = moving & np.isfinite(sine)
        if usable.sum() < 20:
            return
        heading = np.arctan2(sine[usable], cosine[usable])
        for sense in (1.0, -1.0):
            mean = complex(np.exp(1j * (sense * heading - windows.direction[usable])).mean())
            if best is None or abs(mean) > best[0] + 0.02:
                best = (abs(mean), sense, float(np.angle(mean)), unit)
    assert best is not None
    length, sense, ahead, unit = best
    if length < alike:
        provenance.warnings.append(
            f"heading in '{choice.header}' does not follow the direction of travel; left as it is."
        )
        return
    if choice.unit is None:
        choice.decide(unit, f"no unit said; {unit} follows the direction of travel")
    quarter = round(ahead / (np.pi / 2)) * (np.pi / 2)
    offset = quarter if abs(ahead - quarter) < near else ahead
    if sense > 0 and offset == 0:
        return
    choice.scale, choice.offset = sense * choice.scale, sense * choice.offset - offset
    if sense < 0 and np.isclose(offset, -np.pi / 2):
        how = "clockwise from north (compass)"
    else:
        how = f"{'anticlockwise' if sense > 0 else 'clockwise'} from {np.degrees(-sense * offset) % 360:.0f} deg off x"
    choice.unit_reason += f"; {how}, brought to anticlockwise from x"
    provenance.warnings.append(f"heading in '{choice.header}' is {how}: brought to anticlockwise from x.")

"""A point-mass car on a banked track, its truth known exactly: demo data and test oracle."""

from lapkit.simulate.car import Car
from lapkit.simulate.courses import oval, road_course, stadium
from lapkit.simulate.demo import demo_files, stint
from lapkit.simulate.driver import Driver, corner_speed, limit_speed, oval_driver, road_driver
from lapkit.simulate.line import Line
from lapkit.simulate.recorder import CONSUMER, Noise, record, write_csv
from lapkit.simulate.script import Braking, Contact, Lift, MissedShift, Script, Tow
from lapkit.simulate.track import Element, Track, close_straights, corner, straight
from lapkit.simulate.truth import Truth, drive

__all__ = [
    "CONSUMER", "Braking", "Car", "Contact", "Driver", "Element", "Lift", "Line", "MissedShift", "Noise", "Script", "Tow", "Track", "Truth",
    "close_straights", "corner", "corner_speed", "demo_files", "drive", "limit_speed", "oval", "oval_driver", "record", "road_course",
    "road_driver", "stadium", "stint", "straight", "write_csv",
]  # fmt: skip

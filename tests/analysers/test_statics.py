"""Closed forms of a car that stands or turns steadily, against printed figures."""

from __future__ import annotations

import numpy as np
import pytest

from lapkit.analysers.balance.statics import (
    ackermann_angle,
    centre_of_mass,
    characteristic_speed,
    critical_speed,
    load_transfer,
    roll_stiffness,
    understeer_coefficient,
)
from lapkit.errors import LapkitError
from lapkit.simulate import oval, stint


def test_centre_of_mass() -> None:
    """OpenStax, University Physics Volume 1, chapter 12 (Center of Gravity of a Car)."""
    assert float(centre_of_mass(2.5, 0.52)) == pytest.approx(1.3, abs=1e-12)


def test_load_transfer_of_one_axle() -> None:
    """Printed 247 kg: public worked example (machinecalcs.com) of 750 kg, 1.0 g, 520 mm, 1580 mm."""
    assert float(load_transfer(750.0, 9.80665, 0.520, 1.580)) == pytest.approx(247.0, abs=0.5)


def test_load_transfer_of_a_light_car() -> None:
    """Inputs and formula: University of Texas Longhorn Racing Solar wiki; the figures are worked out from them."""
    front, rear = load_transfer([240.0, 360.0], 2.0 * 9.80665, 0.300, [1.457, 1.416])
    assert front == pytest.approx(98.833, abs=5e-4)
    assert rear == pytest.approx(152.542, abs=5e-4)
    assert 120.0 + front == pytest.approx(218.833, abs=5e-4)


def test_understeer_coefficient_and_its_speeds() -> None:
    """Wong, Theory of Ground Vehicles, chapter 5 example; inputs and results FROM MEMORY, worked out again. g is 9.81 there."""
    weight, front = 20_105.0, 0.535
    loads = weight * front, weight * (1 - front)
    coefficient = understeer_coefficient(*loads, 2 * 38_920.0, 2 * 38_250.0)
    assert float(coefficient) == pytest.approx(0.016, abs=5e-4)
    assert float(np.degrees(coefficient)) == pytest.approx(0.92, abs=5e-3)
    assert float(characteristic_speed(coefficient, 2.8, gravity=9.81)) == pytest.approx(41.5, abs=0.05)
    second = understeer_coefficient(*loads, 2 * 47_820.0, 2 * 38_250.0)
    assert float(second) == pytest.approx(-0.0097, abs=5e-5)
    assert float(critical_speed(second, 2.8, gravity=9.81)) == pytest.approx(53.1, abs=0.05)
    assert np.isnan(critical_speed(coefficient, 2.8))
    assert np.isnan(characteristic_speed(second, 2.8))
    assert np.isinf(characteristic_speed(0.0, 2.8))


@pytest.mark.parametrize(("feet", "degrees"), [(500, 0.96), (200, 2.40), (100, 4.80), (50, 9.61)])
def test_ackermann_angle(feet: float, degrees: float) -> None:
    """Gillespie, Fundamentals of Vehicle Dynamics, chapter 6 example, FROM MEMORY: 57.2958 L / R, wheelbase 100.6 in."""
    assert float(np.degrees(ackermann_angle(100.6, 12.0 * feet))) == pytest.approx(degrees, abs=5e-3)


def test_tangent_form_is_smaller() -> None:
    """SAE J670's wording: the angle whose tangent is wheelbase over radius; 9.518 against 9.607 degrees at 50 ft."""
    both = [float(np.degrees(ackermann_angle(100.6, 600.0, tangent=t))) for t in (True, False)]
    assert both == pytest.approx([9.518, 9.607], abs=5e-4)


def test_roll_stiffness() -> None:
    """Gillespie, chapter 6 (formula FROM MEMORY; inputs are ours): 30 kN/m, 1.2 m apart."""
    stiffness = float(roll_stiffness(30_000.0, 1.2))
    assert stiffness == pytest.approx(21_600.0, rel=1e-12)
    assert stiffness * np.pi / 180 == pytest.approx(376.99, abs=5e-3)


def test_signs_of_a_left_turn() -> None:
    """ISO 8855:2011 7.1.8: steering-wheel angle is positive for a left turn; lateral quantities are positive to the left (axes from
    memory). SAE J670e has y to the right, so the same turn has negative lateral acceleration there (ASTM MONO10037M, chapter 2).
    """
    samples, _ = stint(oval(), laps=1, rate=20.0, seed=1)
    turning = samples[samples["yaw_rate"] > 0.2]
    assert len(turning) > 50
    assert (turning["steering"] > 0).all()
    assert (turning["lateral_acceleration"] > 0).all()
    assert float(ackermann_angle(2.7, -50.0)) < 0 < float(ackermann_angle(2.7, 50.0))


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(LapkitError, match=r"52 % is 0\.52"):
        centre_of_mass(2.5, 52.0)
    with pytest.raises(LapkitError, match="a wheelbase of -1 is not above 0"):
        ackermann_angle(-1.0, 10.0)
    with pytest.raises(LapkitError, match="a front stiffness of 0"):
        understeer_coefficient(1.0, 1.0, 0.0, 1.0)

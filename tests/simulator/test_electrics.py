"""Motor, power stage and limits against textbook formulae and standards."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sagline_logger.simulator import Decider
from sagline_logger.simulator.constants import air_density
from sagline_logger.simulator.limits import Ceiling, Ceilings, Circuit, ceilings, grant
from sagline_logger.simulator.motor import (
    braking_current_at_power,
    current_at_power,
    input_power,
    phase_resistance,
)
from simulator.boards import LIMITS, frictionless, machine, run


@pytest.mark.parametrize("temperature", [-10.0, 0.0, 60.0, 120.0])
def test_copper_resistance_agrees_with_the_resistance_method_of_iec_60034(temperature):
    # IEC 60034-1 computes winding temperature from R2/R1 = (235 + t2)/(235 + t1) for copper.
    expected = (235.0 + temperature) / (235.0 + 20.0)
    assert phase_resistance(1.0, temperature) == pytest.approx(expected, rel=2e-3)


def test_copper_resistance_at_100_degrees_is_31_percent_up():
    # IEC 60028: 0.00393/K × 80 K.
    assert phase_resistance(0.1, 100.0) == pytest.approx(0.13144, rel=1e-12)


@pytest.mark.parametrize(
    ("temperature", "density"), [(15.0, 1.2250), (0.0, 1.2922), (30.0, 1.1644)]
)
def test_air_density_agrees_with_tables(temperature, density):
    # 15 °C: ISO 2533.  0 and 30 °C at 101,325 Pa: engineering tables of dry air.
    assert air_density(temperature) == pytest.approx(density, rel=2e-3)


circuits = st.builds(
    Circuit,
    emf=st.floats(0.5, 60.0),
    winding=st.floats(0.02, 0.3),
    path=st.just(0.0),
    switching=st.floats(0.0, 0.3),
    standby=st.floats(0.0, 5.0),
    voltage=st.floats(30.0, 60.0),
).map(lambda circuit: circuit._replace(path=circuit.winding + 0.01))


@given(circuits, st.floats(5.0, 2000.0))
def test_current_at_power_is_the_root_numpy_finds(circuit, power):
    _, _, path, switching, standby, _ = circuit
    assume(power > standby)
    roots = np.roots([path, circuit.emf + switching, standby - power])
    found = current_at_power(power, circuit.emf, path, switching, standby)
    assert found == pytest.approx(max(roots.real), rel=1e-6)


@given(circuits, st.floats(0.05, 0.95))
def test_braking_current_at_power_is_the_gentler_root_numpy_finds(circuit, share):
    _, _, path, switching, standby, _ = circuit
    slope = circuit.emf - switching
    # The most a braking motor returns: the peak of the parabola.
    peak = slope * slope / (4.0 * path) - standby
    assume(slope > 0.0 and peak > 1.0)
    roots = np.roots([path, slope, standby + share * peak])
    found = braking_current_at_power(-share * peak, circuit.emf, path, switching, standby)
    assert found == pytest.approx(max(roots.real), rel=1e-6, abs=1e-9)


bounds = st.builds(
    Ceilings,
    drive=st.builds(Ceiling, st.floats(0.0, 80.0), st.just(Decider.MOTOR_CURRENT)),
    brake=st.builds(Ceiling, st.floats(0.0, 80.0), st.just(Decider.BRAKE_CURRENT)),
    battery=st.builds(Ceiling, st.floats(0.2, 40.0), st.just(Decider.BATTERY_CURRENT)),
    charge=st.builds(Ceiling, st.floats(0.0, 40.0), st.just(Decider.CHARGE_CURRENT)),
)


def drive_margins(current, request, circuit, limits):
    """How far each bound is from binding, as a ratio, by its definition; 0 or less: it binds."""
    power = input_power(current, circuit.emf, circuit.path, circuit.switching, circuit.standby)
    duty = (circuit.emf + current * circuit.winding) / circuit.voltage
    return {
        Decider.NONE: (request - current) / max(request, 1.0),
        Decider.MOTOR_CURRENT: (limits.drive.current - current) / max(limits.drive.current, 1.0),
        Decider.BATTERY_CURRENT: 1.0 - power / (circuit.voltage * limits.battery.current),
        Decider.DUTY_CEILING: 1.0 - duty / 0.95,
    }


@settings(max_examples=300)
@given(st.floats(0.1, 100.0), circuits, bounds)
def test_driving_breaks_no_bound_and_the_named_one_binds(request, circuit, limits):
    # The definitions of duty, battery power and motor current are the source; the search for the
    # greatest allowed current is the subject.
    assume(circuit.standby < circuit.voltage * limits.battery.current)
    current, name = grant(request, circuit, limits, 0.95)
    margins = drive_margins(current, request, circuit, limits)
    if current > 0.0:
        assert min(margins.values()) > -1e-9
        assert margins[name] == pytest.approx(0.0, abs=1e-9)
    else:
        assert margins[name] < 1e-9  # nothing may be driven, and the named bound says why


@settings(max_examples=300)
@given(st.floats(0.1, 100.0), circuits, bounds)
def test_braking_breaks_no_bound_and_the_named_one_binds(request, circuit, limits):
    current, name = grant(-request, circuit, limits, 0.95)
    charged = -input_power(current, circuit.emf, circuit.path, circuit.switching, circuit.standby)
    margins = {
        Decider.NONE: request + current,
        Decider.BRAKE_CURRENT: limits.brake.current + current,
        Decider.STANDSTILL: circuit.emf + current * circuit.winding,
        Decider.CHARGE_CURRENT: circuit.voltage * limits.charge.current - charged,
    }
    assert current <= 0.0
    assert min(margins.values()) > -1e-6
    assert margins[name] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("changes", "field", "name", "share"),
    [
        ({}, "drive", Decider.MOTOR_CURRENT, 1.0),
        ({"motor_temperature": 95.0}, "drive", Decider.MOTOR_TEMPERATURE, 0.5),
        ({"controller_temperature": 90.0}, "drive", Decider.CONTROLLER_TEMPERATURE, 0.25),
        ({"motor_temperature": 95.0}, "brake", Decider.MOTOR_TEMPERATURE, 0.5),
        ({"pack_voltage_per_cell": 2.97}, "battery", Decider.LOW_VOLTAGE, 0.2),
        ({"highest_cell": 4.175}, "charge", Decider.HIGH_VOLTAGE, 0.75),
        ({"drive_cut": True}, "drive", Decider.FAULT, 0.0),
    ],
)
def test_deratings_are_straight_lines_between_their_ends(changes, field, name, share):
    # Source: Kestrel's own limits; 80 to 110 °C, 75 to 95 °C, 3.25 to 2.90 V, 4.15 to 4.25 V.
    usual = {
        "motor_temperature": 40.0,
        "controller_temperature": 40.0,
        "pack_voltage_per_cell": 3.6,
        "highest_cell": 3.7,
        "drive_cut": False,
    }
    full = {
        "drive": LIMITS.motor_current,
        "brake": LIMITS.brake_current,
        "battery": LIMITS.battery_current,
        "charge": LIMITS.charge_current,
    }
    ceiling = getattr(ceilings(LIMITS, **{**usual, **changes}), field)
    assert ceiling.name is name
    assert ceiling.current == pytest.approx(share * full[field])


def test_torque_and_back_emf_share_one_constant():
    # Energy conservation: what the back-EMF takes (E·I) arrives at the road as F·v.
    subject = machine(frictionless(rolling_coefficient=0.01, drag_area=0.5))
    run(subject, 4.0, throttle=0.4)
    subject.speed = 4.0
    for drive in subject.drives:
        drive.push(4.0, subject.pack.voltage)
        turning = 4.0 / (0.508 / 2.0) * 5.2  # wheel radius and gear ratio of Kestrel
        assert drive.speed == pytest.approx(turning)
        assert drive.force * 4.0 == pytest.approx(drive.emf * drive.current)
        assert drive.emf == pytest.approx(drive.drive.motor.torque_constant * turning)


def test_duty_is_back_emf_plus_resistive_drop_over_pack_voltage():
    subject = machine(frictionless(rolling_coefficient=0.01, drag_area=0.5))
    run(subject, 5.0, throttle=0.3)
    for drive in subject.drives:
        winding = drive.drive.motor.resistance * (
            1.0 + 0.00393 * (drive.winding_temperature - 20.0)
        )
        drop = drive.emf + drive.current * winding
        assert drive.current > 5.0
        # The winding warmed since its resistance was last refreshed, by a hair.
        assert drive.duty == pytest.approx(drop / subject.pack.voltage, rel=1e-4)
        assert not math.isclose(drive.duty, drive.emf / subject.pack.voltage, rel_tol=0.01)

"""Kestrel: an invented, home-built three-wheel cargo trike that carries bread uphill to a market.

Two geared wheel motors drive the rear wheels; the pack has 13 cell groups in series.  Every number
is invented unless a source stands beside it.
"""

from dataclasses import replace

from .parameters import (
    BoardParameters,
    ControllerModel,
    DriveModel,
    HeatNode,
    Limits,
    MotorModel,
    Pack,
    Ramp,
    VehicleModel,
    Wheel,
)

_LIMITS = Limits(
    motor_current=45.0,
    brake_current=30.0,
    battery_current=20.0,
    charge_current=12.0,
    full_request=50.0,
    full_brake_request=34.0,
    duty_ceiling=0.95,
    # Class 130 (B) insulation of IEC 60085 bounds the winding; derating ends before it.
    motor_temperature=Ramp(80.0, 110.0),
    controller_temperature=Ramp(75.0, 95.0),
    # 3.0 V is the usual empty mark of such cells in handbooks (from memory).
    low_voltage=Ramp(3.25, 2.90),
    high_voltage=Ramp(4.15, 4.25),
    motor_stop=125.0,
    controller_stop=105.0,
    request_slew=200.0,
)

_LEFT = DriveModel(
    motor=MotorModel(
        torque_constant=0.275,
        resistance=0.140,
        static_drag=0.12,
        speed_drag=0.0009,
        pole_pairs=8,
        # 0.6 kg of copper at 385 J/(kg·K) (handbook value, from memory).
        winding=HeatNode(capacity=230.0, conductance=1.5),
        # 1.5 kg of steel and aluminium at about 600 J/(kg·K).
        case=HeatNode(capacity=900.0, conductance=0.9, conductance_per_speed=0.12),
    ),
    wheel=Wheel(diameter=0.508, gear_ratio=5.2, gear_efficiency=0.96),
    controller=ControllerModel(
        resistance=0.012,
        transition_time=250e-9,
        switching_frequency=20_000.0,
        standby=1.5,
        heat=HeatNode(capacity=260.0, conductance=1.1, conductance_per_speed=0.05),
        limits=_LIMITS,
    ),
)

# No two motors are alike: the right one has slightly weaker magnets, a longer lead and less air.
_RIGHT = replace(
    _LEFT,
    motor=replace(
        _LEFT.motor,
        torque_constant=0.268,
        resistance=0.152,
        case=HeatNode(capacity=900.0, conductance=0.6, conductance_per_speed=0.06),
    ),
    wheel=replace(_LEFT.wheel, diameter=0.505),
)

KESTREL = BoardParameters(
    name="Kestrel",
    firmware="simulated board 1",
    vehicle=VehicleModel(
        mass=265.0,
        inertia_factor=1.04,
        rolling_coefficient=0.010,  # cargo tyre on asphalt, within handbook range (from memory)
        drag_area=0.85,  # upright rider and box, within handbook range (from memory)
        friction_brake=1300.0,
        friction_onset=0.35,
        motor_brake_travel=0.6,
        auxiliary_power=9.0,
    ),
    drives=(_LEFT, _RIGHT),
    pack=Pack(
        series=13,
        capacity=17.5,
        ohmic_resistance=0.0042,
        relaxation_resistance=0.0026,
        relaxation_time=10.0,
        spread=0.01,
        weak_cell=7,
        weak_capacity=0.88,
        weak_resistance=1.9,
        initial_charge=0.29,
        stop_voltage=2.70,
        # 10 kg of cells at about 1000 J/(kg·K) (handbook range, from memory).
        heat=HeatNode(capacity=10_000.0, conductance=1.5),
    ),
)

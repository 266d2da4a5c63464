"""Ready-made rides.  All places and distances are invented."""

from .route import Route
from .scenario import Dropout, Leg, PackSwap, Scenario

# Bakery yard, street, the long hill to the market; down the other side; the old bridge and the
# short steep lane home.  Ends at the height it began (checked by a test).
_BREAD_ROUTE = Route(
    (
        (0.0, 0.0),
        (420.0, 0.0),
        (460.0, 0.060),
        (1060.0, 0.060),
        (1100.0, 0.0),
        (1240.0, 0.0),
        (1280.0, -0.064),
        (1800.0, -0.064),
        (1840.0, 0.0),
        (2560.0, 0.0),
        (2590.0, 0.075),
        (3140.0, 0.075),
        (3170.0, 0.0),
        (3260.0, 0.0),
        (3300.0, -0.0658),
        (3960.0, -0.0658),
        (4000.0, 0.0),
    )
)

BREAD_RUN = Scenario(
    name="bread-run",
    route=_BREAD_ROUTE,
    air=24.0,
    legs=(
        Leg("stand in the yard", 0.0, seconds=4.0),
        Leg("launch", 9.0, until_distance=120.0),
        Leg("hard stop at the crossing", 0.0, brake=1.0, until_stopped=True),
        Leg("wait at the crossing", 0.0, brake=0.4, seconds=6.0),
        Leg("gentle launch", 5.0, throttle=0.55, until_distance=300.0),
        Leg("stop at the school", 0.0, brake=0.45, until_stopped=True),
        Leg("unload two baskets", 0.0, brake=0.3, seconds=10.0),
        Leg("run-up", 7.0, until_distance=440.0),
        Leg("hill to the market", 6.8, until_distance=1110.0),
        Leg("through the market", 3.5, throttle=0.6, until_distance=1230.0),
        Leg("stop at the stall", 0.0, brake=0.45, until_stopped=True),
        Leg("unload the bread", 0.0, brake=0.3, seconds=30.0),
        Leg("down the far side", 5.5, brake=0.8, until_distance=1850.0),
        Leg("flat out along the river", 12.0, until_distance=2400.0),
        Leg("hard stop at the bridge", 0.0, brake=1.0, until_stopped=True),
        Leg("wait at the bridge", 0.0, brake=0.4, seconds=5.0),
        Leg("over the bridge and up the lane", 6.6, until_distance=3180.0),
        Leg("roll to the side", 0.0, brake=0.35, until_stopped=True),
        Leg("fetch the other pack", 0.0, brake=0.3, seconds=14.0),
        PackSwap(seconds=20.0, charge=0.86),
        Leg("switch on", 0.0, brake=0.3, seconds=3.0),
        Leg("carry on", 7.0, until_distance=3270.0),
        Leg("down to the yard", 5.5, brake=0.8, until_distance=4060.0),
        Leg("stop in the yard", 0.0, brake=0.45, until_stopped=True),
        Leg("stand in the yard", 0.0, brake=0.3, seconds=6.0),
    ),
    between=PackSwap(seconds=20.0, charge=0.29, weak=True),
    dropouts=(Dropout("battery_temperature", 1, 262.0, 268.0),),
)

TOWN_LOOP = Scenario(
    name="town-loop",
    air=18.0,
    charge=0.92,
    legs=(
        Leg("launch", 6.0, throttle=0.8, until_distance=150.0),
        Leg("slow for the corner", 3.0, until_distance=220.0),
        Leg("on", 6.5, until_distance=480.0),
        Leg("stop", 0.0, brake=0.5, until_stopped=True),
        Leg("stand", 0.0, brake=0.3, seconds=8.0),
    ),
)

HILL_CLIMB = Scenario(
    name="hill-climb",
    air=34.0,
    charge=0.85,
    route=Route(((0.0, 0.0), (30.0, 0.0), (50.0, 0.080))),
    legs=(
        Leg("stand", 0.0, seconds=3.0),
        Leg("climb", 8.0, until_distance=2200.0, seconds=600.0),
        Leg("stop", 0.0, brake=0.6, until_stopped=True),
        Leg("stand", 0.0, brake=0.6, seconds=20.0),
    ),
)

LAUNCHES = Scenario(
    name="launches",
    charge=0.8,
    legs=(
        Leg("stand", 0.0, seconds=2.0),
        *(
            Leg("launch", 14.0, seconds=6.0),
            Leg("stop", 0.0, brake=0.9, until_stopped=True),
            Leg("wait", 0.0, brake=0.4, seconds=3.0),
        )
        * 6,
    ),
)
"""Six launches from standstill at full throttle, for comparing settings."""

RIDES = {ride.name: ride for ride in (BREAD_RUN, TOWN_LOOP, HILL_CLIMB, LAUNCHES)}
"""Ready-made rides by name."""

"""Pack use, charge, range, consumption and braking into a full pack."""

import re
import warnings
from dataclasses import replace

import numpy as np
import pytest

from sagline_analyser.findings.cells.fitted import fit_packs
from sagline_analyser.findings.cells.full_pack import find_overcharge, full_pack_answer
from sagline_analyser.findings.energy.charge_state import ChargeState, charge_state
from sagline_analyser.findings.energy.consumption import (
    Consumption,
    consumption_answer,
    measure_consumption,
)
from sagline_analyser.findings.energy.pack_range import (
    Reach,
    _last_shown,
    capacity_for,
    pack_answer,
    pack_use,
)
from sagline_analyser.findings.energy.reported_charge import Report, compared
from sagline_analyser.findings.readings.gathered import Gathered
from sagline_analyser.findings.readings.packs import pack_capacity
from sagline_analyser.findings.readings.unknown import NotKnown
from sagline_analyser.load.ride import RideMark, RideSegment
from sagline_logger.format import read_board_file
from sagline_logger.simulator import (
    KESTREL,
    TOWN_LOOP,
    Leg,
    Route,
    Scenario,
    Simulation,
    SpeedTrace,
    trace_scenario,
)
from support.asking import asked, cell_capacities, reach
from support.late import late
from support.rides import channel, make_ride, make_stream
from support.scored_cells import board_file, load

fastsim = late("fastsim")

SOUND = replace(KESTREL, pack=replace(KESTREL.pack, weak_cell=None))
SECONDS = 300
START = 80.0


@pytest.fixture(scope="module")
def udds(tmp_path_factory):
    """EPA's UDDS as FASTSim ships it, at a third of the speed (a cargo trike's), and the ride."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        cycle = fastsim.Cycle.from_resource("udds.csv").to_pydict()
    pairs = zip(cycle["time_seconds"], cycle["speed_meters_per_second"], strict=True)
    points = [(time, speed / 3.0) for time, speed in pairs][: SECONDS + 1]
    scenario = replace(trace_scenario(points), charge=0.8)
    simulation = Simulation(SOUND, scenario, seed=1, step=10_000)
    return simulation, load(simulation, tmp_path_factory.mktemp("udds") / "r.sagline")


def test_consumption_on_the_udds_is_the_ledgers(udds):
    # Source: the simulation's energy ledger, itself held against the road-load equation.
    simulation, ride = udds
    found = measure_consumption(Gathered(ride))
    assert isinstance(found, Consumption)
    true = simulation.ledger.battery / 3600 / (simulation.machine.distance / 1000)
    assert found.whole.per_km == pytest.approx(true, rel=0.02)
    assert found.whole.distance == pytest.approx(simulation.machine.distance / 1000, rel=0.01)
    assert "Wh/km" in consumption_answer(Gathered(ride)).verdict


def test_each_speed_has_its_own_consumption():
    # Hand arithmetic: 300 W at 3 m/s is 300/10.8 = 27.8 Wh/km, 900 W at 6 m/s 900/21.6 = 41.7.
    time = np.arange(0.0, 200.0, 0.1)
    fast = time >= 100.0
    columns = {
        channel("pack_voltage", "V"): np.full(len(time), 50.0),
        channel("battery_current", "A"): np.where(fast, 18.0, 6.0),
        channel("speed", "m/s"): np.where(fast, 6.0, 3.0),
    }
    found = measure_consumption(Gathered(make_ride(make_stream("fast", time, columns))))
    assert isinstance(found, Consumption)
    slow, quick = found.bands
    assert (slow.label, quick.label) == ("10 to 20 km/h", "20 to 30 km/h")
    assert slow.per_km == pytest.approx(300 / 10.8, rel=0.01)
    assert quick.per_km == pytest.approx(900 / 21.6, rel=0.01)
    assert slow.error < 1.0 < found.whole.error
    assert found.share == 0.0


def test_charge_and_energy_of_the_pack_are_the_ledgers(udds):
    simulation, ride = udds
    uses = pack_use(asked(ride, board_file(SOUND)))
    assert not isinstance(uses, NotKnown)
    (use,) = uses
    assert use.energy_drawn - use.energy_returned == pytest.approx(
        simulation.ledger.battery / 3600, rel=0.02
    )
    pack = simulation.machine.pack
    drawn = (pack.drawn - 0.2 * 3600 * 17.5) / 3600
    assert use.charge_drawn - use.charge_returned == pytest.approx(drawn, rel=0.01)


def known_for(seconds, whole=1000):
    """10 A at 50 V known for the first seconds of a ride of ``whole`` s."""
    time = np.arange(0.0, whole + 1)
    columns = {
        channel("battery_current", "A"): np.where(time <= seconds, 10.0, np.nan),
        channel("pack_voltage", "V"): np.full(time.size, 50.0),
    }
    return make_ride(make_stream("fast", time, columns))


def test_what_a_pack_gave_says_what_share_of_its_time_that_is():
    """By hand: 10 A for 720 s are 2 Ah; 10 A for 20 s say nothing of 1000 s."""
    uses = pack_use(asked(known_for(720)))
    assert uses[0].charge_drawn == pytest.approx(2.0)
    answer = pack_answer(asked(known_for(720)))
    assert "The pack gave 2.00 Ah (100 Wh), known for 72 % of the ride" in answer.verdict
    assert all("known for 72 % of the ride" in f.how for f in answer.figures if "∫" in f.how)
    little = pack_answer(asked(known_for(20)))
    assert "What the pack gave cannot be told: known for 2 % of the ride" in little.verdict
    assert [f for f in little.figures if "∫" in f.how] == []
    assert "Ah" not in little.headline
    whole = pack_answer(asked(known_for(1000)))
    assert "The pack gave 2.78 Ah (139 Wh)." in whole.verdict


@pytest.mark.parametrize("charge", [0.15, 0.35, 0.6, 0.9])
def test_the_state_of_charge_lies_in_its_interval(charge, tmp_path):
    # The simulated cells have another curve (invented) than the one the finding reads.
    scenario = replace(TOWN_LOOP, charge=charge)
    simulation = Simulation(SOUND, scenario, seed=2, seconds=90.0, step=10_000)
    ride = load(simulation, tmp_path / "r.sagline")
    (pack,) = fit_packs(Gathered(ride))
    board = board_file(SOUND)
    found = charge_state(pack, board)
    assert isinstance(found, ChargeState)
    cells = [simulation.machine.pack.state_of_charge(n) for n in range(1, 14)]
    assert abs(found.end - np.mean(cells)) <= found.end_error
    assert found.end_error < 0.3


def test_a_ride_that_starts_full_is_counted_down(tmp_path):
    simulation = Simulation(
        SOUND, replace(TOWN_LOOP, charge=0.999), seed=2, seconds=90.0, step=10_000
    )
    ride = load(simulation, tmp_path / "r.sagline")
    (pack,) = fit_packs(Gathered(ride))
    found = charge_state(pack, board_file(SOUND))
    assert isinstance(found, ChargeState)
    assert found.counted
    assert found.end == pytest.approx(simulation.machine.pack.state_of_charge(1), abs=0.04)
    assert found.end_error < 0.10
    assert found.belief.capacity.low < 17.5 < found.belief.capacity.high
    capacities = cell_capacities(pack, found)
    assert sorted(capacities) == list(range(1, 14))
    assert all(one.low < 17.5 < one.high for one in capacities.values())


def test_a_charge_that_is_little_known_is_told_by_its_ends_alone(udds):
    (pack,) = fit_packs(Gathered(udds[1]))
    found = charge_state(pack, board_file(SOUND))
    assert isinstance(found, ChargeState)
    close = replace(found, end=0.5, end_error=0.1)
    assert (close.close, close.words) == (True, "50% ± 10%")
    vague = replace(
        found, end=0.5, end_error=0.3, belief=replace(found.belief, end_within=(0.228, 0.804))
    )
    # Never rounded inwards.
    assert (vague.close, vague.words) == (False, "between 22 % and 81 %")
    said, apart = compared(Report(0.9, 1.0), vague.within, vague.words)
    assert apart
    assert "we find between 22 % and 81 %: they disagree" in said
    assert "go by the lower one, ours" in said
    assert not compared(Report(0.3, 1.0), vague.within, vague.words)[1]


def test_what_cannot_be_iron_phosphate_is_not_judged_as_such(udds):
    text = (
        'name = "b"\n[[battery.units]]\nname = "box"\nseries = 13\nparallel = 1\n'
        'cell_capacity = 17.5\nchemistry = "LFP"\n'
    )
    (pack,) = fit_packs(Gathered(udds[1]))
    found = charge_state(pack, read_board_file(text, "test"))
    assert isinstance(found, NotKnown)
    assert "iron-phosphate" in found.reason


def unit(parallel, joined=""):
    return (
        f'[[battery.units]]\nname = "{parallel}"\nseries = 5\nparallel = {parallel}\n'
        f"cell_capacity = 3\n{joined}"
    )


def test_capacity_of_joined_units():
    # Charge in series is one charge, in parallel it adds (Kirchhoff's current law).
    series = f'name = "b"\n[battery]\njoined = "series"\n{unit(2)}{unit(4)}'
    parallel = series.replace('"series"', '"parallel"')
    assert pack_capacity(read_board_file(series, "t").battery) == 6.0
    assert pack_capacity(read_board_file(parallel, "t").battery) == 18.0
    assert pack_capacity(read_board_file('name = "b"', "t").battery) is None


def test_the_range_left_is_ridden(tmp_path):
    """Ride some, ask how far it goes, and ride on until the lowest cell is at the reserve."""
    legs = (
        Leg("launch", 6.0, until_distance=120.0),
        Leg("slow", 3.5, until_distance=170.0),
        Leg("on", 6.0, until_distance=350.0),
        Leg("stop", 0.0, brake=0.5, until_stopped=True),
        Leg("stand", 0.0, brake=0.3, seconds=4.0),
    )
    small = replace(SOUND, pack=replace(SOUND.pack, capacity=3.0, initial_charge=0.45))
    ride = load(
        Simulation(small, Scenario("laps", legs), seed=4, seconds=START, step=10_000),
        tmp_path / "r.sagline",
    )
    board = board_file(small)
    (pack,) = fit_packs(Gathered(ride))
    found = reach(Gathered(ride, board), pack)
    assert isinstance(found, Reach)
    # From 80 s at 4.5 C the least may be nothing; the middle may not.
    assert found.distance > 0.1 and found.distance > found.least
    # The same ride, ridden on.
    further = Simulation(small, Scenario("laps", legs), seed=4, seconds=4000.0, step=10_000)
    resistance = small.pack.ohmic_resistance + small.pack.relaxation_resistance
    spent = 0.0
    for one in further.run():
        if one.time <= START * 1e6:
            spent = further.ledger.battery
        elif min(further.machine.pack.resting) - resistance * found.load < found.reserve:
            break
    consumption = measure_consumption(Gathered(ride, board))
    assert isinstance(consumption, Consumption)
    truth = (further.ledger.battery - spent) / 3600 / consumption.whole.per_km
    assert abs(found.distance - truth) <= found.error
    assert found.least <= truth


def test_another_pack_goes_further_as_it_holds_more(udds):
    _, ride = udds
    board = board_file(SOUND)
    (pack,) = fit_packs(Gathered(ride))
    same, twice = reach(Gathered(ride, board), pack, 17.5), reach(Gathered(ride, board), pack, 35.0)
    assert isinstance(same, Reach)
    assert isinstance(twice, Reach)
    # Twice the charge, and a little more for half the sag.
    assert 2.0 < twice.distance / same.distance < 2.3
    assert same.start == 1.0
    answer = pack_answer(asked(ride, board, other_capacity=35.0))
    assert "A full pack of 35 Ah" in " ".join(answer.details)
    assert "range left" in [figure.label for figure in answer.figures]


def test_the_pack_for_a_distance_goes_it(udds):
    _, ride = udds
    board = board_file(SOUND)
    (pack,) = fit_packs(Gathered(ride, board))
    wanted = capacity_for(Gathered(ride, board), pack, 30.0)
    assert not isinstance(wanted, NotKnown)
    sure, even = wanted
    assert sure > even
    for capacity, goal in ((sure, "least"), (even, "distance")):
        found = reach(Gathered(ride, board), pack, capacity)
        assert isinstance(found, Reach)
        assert 30.0 <= getattr(found, goal) < 31.0
    answer = pack_answer(asked(ride, board, plan=30.0))
    line = next(line for line in answer.details if line.startswith("For 30 km"))
    told = float(re.search(r"a full pack of ([\d.]+) Ah", line)[1])
    assert sure <= told < sure + 0.1  # never rounded towards further
    assert "no pack" in capacity_for(Gathered(ride, board), pack, 1e6).reason


def test_the_range_says_what_it_needs(udds):
    answer = pack_answer(asked(udds[1]))
    assert answer.known  # the charge drawn is
    assert "cell_capacity" in answer.verdict
    time = np.arange(0.0, 60.0, 0.1)
    bare = make_ride(make_stream("fast", time, {channel("pack_voltage", "V"): 48 - time / 60}))
    assert "battery_current" in pack_answer(asked(bare)).verdict
    assert not consumption_answer(Gathered(bare)).known


DESCENT = Scenario(
    "descent",
    (
        Leg("roll off", 5.0, until_distance=40.0),
        Leg("down", 5.0, brake=0.6, until_distance=260.0),
        Leg("stop", 0.0, brake=0.5, until_stopped=True),
    ),
    Route(((0.0, 0.0), (30.0, -0.08))),
)


def test_braking_into_a_full_pack_is_found_and_explained(tmp_path):
    full = Simulation(SOUND, replace(DESCENT, charge=1.0), seed=1, step=10_000)
    ride = load(full, tmp_path / "full.sagline")
    found = find_overcharge(asked(ride, board_file(SOUND)))
    assert not isinstance(found, NotKnown)
    over = [one for one in found if one.kind == "voltage"]
    assert over
    assert all(one.span.peak > 4.2 and one.load < 0 for one in over)
    assert "no room left" in over[-1].explained
    truth = full.machine.pack.resting
    assert over[-1].rest == pytest.approx(max(truth), abs=0.05)
    assert re.fullmatch(
        r"Yes: braking took a cell above its full voltage \((once|\d+ times)\)"
        r"( and the charge current was above what the cells allow \(.+ s in all\))?\.",
        full_pack_answer(asked(ride, board_file(SOUND))).verdict,
    )


def test_too_much_charge_current_is_found(tmp_path):
    # max_charge_rate 0.5 C of 17.5 Ah in the board file: 8.75 A.
    half = Simulation(SOUND, replace(DESCENT, charge=0.5), seed=1, step=10_000)
    ride = load(half, tmp_path / "half.sagline")
    found = find_overcharge(asked(ride, board_file(SOUND)))
    assert not isinstance(found, NotKnown)
    assert {one.kind for one in found} == {"current"}
    assert all(one.span.peak < -8.75 for one in found)
    assert "8.75 A" in found[0].explained


def test_no_braking_into_a_full_pack_on_the_flat(udds):
    board = read_board_file('name = "b"\n[battery]\ncell_full = 4.2\n', "test")
    answer = full_pack_answer(asked(udds[1], board))
    assert answer.known
    assert answer.verdict.startswith("No")
    assert not full_pack_answer(asked(udds[1])).known


def test_a_trace_of_no_length_has_no_consumption(tmp_path):
    scenario = Scenario("still", trace=SpeedTrace(((0.0, 0.0), (20.0, 0.0))))
    ride = load(Simulation(SOUND, scenario, seed=1, step=10_000), tmp_path / "r.sagline")
    assert "100 m" in consumption_answer(Gathered(ride)).verdict


def test_many_packs_are_told_together():
    """Closed forms: 10 A for 180 s are 0.5 Ah, at 48 V 24 Wh; five packs of rising voltage."""
    time = np.arange(0.0, 1000.0, 0.5)
    pack = (time // 200).astype(int)
    riding = time % 200 < 180
    volts = channel("pack_voltage", "V")
    amps = channel("battery_current", "A")
    starts = [200 * n for n in range(5)]
    ride = make_ride(
        make_stream(
            "fast",
            time,
            {volts: 40.0 + 4 * pack, amps: np.where(riding, 10.0, 0.0)},
            gap=[400 * n for n in range(1, 5)],
        ),
        segments=tuple(RideSegment(n, n + 1, s, s + 199.5) for n, s in enumerate(starts)),
    )
    answer = pack_answer(asked(ride))
    assert "5 packs gave 0.50 to 0.50 Ah each, together 2.50 Ah" in answer.verdict
    assert "Pack 3 gave" not in answer.verdict
    assert any(line.startswith("Pack 3 gave 0.50 Ah (24 Wh)") for line in answer.details)


def iron_ride(start, unseen=0.0, speed=True, **facts):
    """A ride on eight iron-phosphate cells of 20 Ah from ``start``, halfway between two published
    curves, the load going on and off; 0.004 Ω a cell, 10 m/s while it is on.  The first ``unseen``
    s were not captured, and speed only with ``speed``."""
    charges = (0.0, 0.05, 0.1, 0.18, 0.28, 0.4, 0.52, 0.64, 0.7, 0.76, 0.88, 0.97, 1.0)
    rests = (2.0, 2.9, 3.09, 3.2, 3.24, 3.277, 3.289, 3.293, 3.3, 3.316, 3.33, 3.377, 3.6)
    time = np.arange(0.0, 1200.0, 0.2)
    current = np.where((time % 60 < 40) & (time > 20), 12.0, 0.0)
    drawn = np.cumsum(current) * 0.2 / 3600
    chance = np.random.default_rng(1)
    volts = np.interp(start - drawn / 20.0, charges, rests) - 0.004 * current
    cells = {
        channel("cell_voltage", "V", n + 1): volts + chance.normal(0, 0.001, len(time))
        for n in range(8)
    }
    values = {
        channel("battery_current", "A"): current,
        channel("pack_voltage", "V"): 8 * volts,
    } | cells
    if speed:
        values[channel("speed", "m/s")] = np.where(current > 0, 10.0, 0.0)
    seen = time >= unseen
    values = {key: own[seen] for key, own in values.items()}
    return make_ride(make_stream("board", time[seen] - unseen, values), **facts)


IRON = read_board_file(
    'name = "Kestrel"\n[battery]\ncell_full = 3.6\ncell_alarm = 2.8\n[[battery.units]]\n'
    'name = "a"\nseries = 8\nparallel = 4\ncell_capacity = 5.0\nchemistry = "LiFePO4"\n',
    "test",
)


def test_a_flat_curve_tells_no_range_and_says_what_would():
    ride = iron_ride(0.35)
    answer = pack_answer(asked(ride, IRON))
    assert "cannot be told from this pack's voltage" in answer.verdict
    assert "full" in answer.verdict
    assert not [figure for figure in answer.figures if figure.label.startswith("range left")]


@pytest.mark.parametrize("said", ["a mark", "a setting"])
def test_a_pack_said_to_be_full_is_counted_down(said):
    facts = {"settings": {"pack_charge": "full"}}
    if said == "a mark":
        facts = {"marks": (RideMark(15.0, 1, "Full"),)}
    unsaid, ride = iron_ride(0.99), iron_ride(0.99, **facts)
    (before,), (pack,) = fit_packs(Gathered(unsaid, IRON)), fit_packs(Gathered(ride, IRON))
    assert (before.said_full, pack.said_full) == (False, True)
    state = charge_state(pack, IRON)
    assert isinstance(state, ChargeState)
    truth = 0.99 - 12.0 * 40 * 19.67 / 3600 / 20.0
    assert abs(state.end - truth) <= state.end_error < 0.08
    found = reach(Gathered(ride, IRON), pack)
    assert isinstance(found, Reach)
    assert found.least > 0.5 * found.distance


@pytest.mark.parametrize("speed", [True, False])
@pytest.mark.parametrize(
    ("unseen", "moving"), [(0.0, False), (10.0, False), (30.0, True), (390.0, True)]
)
def test_a_pack_said_to_be_full_whose_ride_is_under_way_may_be_less(unseen, moving, speed):
    ride = iron_ride(0.99, unseen, speed, settings={"pack_charge": "full"})
    (pack,) = fit_packs(Gathered(ride, IRON))
    assert (pack.said_full, pack.under_way) == (True, moving)
    state = charge_state(pack, IRON)
    assert isinstance(state, ChargeState)
    gone = 12.0 * sum(1 for s in range(int(unseen)) if s % 60 < 40 and s > 20) / 3600 / 20.0
    assert abs(state.start - (0.99 - gone)) <= state.start_error
    assert (state.start_error > 0.025) == (gone > 0.01)


def test_a_mark_late_in_the_ride_does_not_make_its_start_full():
    (pack,) = fit_packs(Gathered(iron_ride(0.6, marks=(RideMark(900.0, 1, "full"),)), IRON))
    assert not pack.said_full


LOW = read_board_file(
    'name = "Kestrel"\n[battery]\ncell_full = 4.2\ncell_alarm = 3.3\n[[battery.units]]\n'
    'name = "a"\nseries = 6\nparallel = 2\ncell_capacity = 5.0\nchemistry = "NMC"\n',
    "test",
)


@pytest.mark.parametrize("lowest", [3, 6])
def test_of_cells_that_are_all_at_their_end_the_lowest_is_the_first(lowest):
    """Six cells run down to the reserve, one of them 0.1 V below the others at rest."""
    time = np.arange(0.0, 600.0, 0.2)
    current = np.where((time % 60 < 40) & (time > 20), 12.0, 0.0)
    rest = 3.40 - 0.25 * np.cumsum(current) / np.sum(current)
    chance = np.random.default_rng(1)
    values = {
        channel("battery_current", "A"): current,
        channel("speed", "m/s"): np.where(current > 0, 10.0, 0.0),
    }
    for n in range(6):
        lower = 0.1 if n + 1 == lowest else 0.0
        volts = rest - lower - 0.008 * current + chance.normal(0, 0.001, len(time))
        values[channel("cell_voltage", "V", n + 1)] = volts
    values[channel("pack_voltage", "V")] = sum(list(values.values())[2:])
    ride = make_ride(make_stream("board", time, values))
    (pack,) = fit_packs(Gathered(ride, LOW))
    found = reach(Gathered(ride, LOW), pack)
    assert isinstance(found, Reach)
    assert (found.least, found.first) == (0.0, lowest)


@pytest.mark.parametrize(("load", "least"), [(10.0, 3.1), (25.0, None)])
def test_what_the_cells_showed_of_late_under_the_load(load, least):
    """Ten minutes at 20 A for half of the time; a low reading before the last minutes is of no
    account, and nothing was read under a load that never flowed."""
    time = np.arange(0, 600, 0.5)
    current = np.where(time % 60 < 30, 20.0, 0.0)
    cell = np.where(current > 0, np.where(time < 100, 2.8, 3.1), 3.4)
    ride = make_ride(
        make_stream(
            "fast",
            time,
            {
                channel("battery_current", "A"): current,
                channel("cell_voltage", "V", 1): cell,
                channel("cell_voltage", "V", 2): cell + 0.1,
            },
        )
    )
    it = Gathered(ride, None)
    pack = replace(fit_packs(it)[0], fit=NotKnown("not asked"))
    shown = _last_shown(it, pack, load)
    assert shown == (None if least is None else pytest.approx(least, abs=1e-3))

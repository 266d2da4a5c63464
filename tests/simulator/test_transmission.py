"""What is sent: frames against an independent decoder, clocks, restarts, faults, sameness."""

import hashlib
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from sagline_logger.format import Event, SaglineError, Samples, vocabulary
from sagline_logger.simulator import (
    KESTREL,
    TOWN_LOOP,
    DeviceClock,
    Dropout,
    Leg,
    PackSwap,
    Scenario,
    Simulation,
    random_board,
    standard_streams,
    wide_streams,
)
from simulator import wire

SWAP = Scenario(
    "swap",
    legs=(
        Leg("ride", 5.0, seconds=4.013),
        Leg("stop", 0.0, brake=0.8, until_stopped=True),
        PackSwap(seconds=7.0, charge=0.9),
        Leg("ride", 5.0, seconds=3.0),
    ),
)


def sent(**options):
    return list(Simulation(**options).run())


def joined(transmissions):
    return b"".join(one.data for one in transmissions)


def test_an_independent_decoder_reads_every_sample_the_simulation_says_it_sent(bread_run):
    # Source: cobs (PyPI), zlib and the tables of protocol_docs/frame_format.md.
    for stream in (1, 2, 3):
        told = [
            (one.record.boot, row)
            for one in bread_run.sent
            if isinstance(one.record, Samples) and one.record.stream == stream
            for row in one.rows
        ]
        decoded = [(boot, row) for boot, _, row in wire.samples(bread_run.data, stream)]
        assert len(told) > 1000
        assert decoded == told


def test_sample_numbers_and_clocks_have_no_hole_within_a_start(bread_run):
    # frame_format.md §5.5, §5.7: sequence counts from 0, clock advances by the period.
    plans = {plan.stream: plan for plan in wire.descriptions(bread_run.data).values()}
    next_number = {}
    for record in wire.records(bread_run.data):
        if isinstance(record, wire.Samples):
            key = record.boot, record.stream
            assert record.sequence == next_number.get(key, 0)
            assert record.clock == record.sequence * plans[record.stream].period
            next_number[key] = record.sequence + record.count
    assert sorted({boot for boot, _ in next_number}) == [1, 2]


def test_the_description_comes_first_and_at_least_every_five_seconds(bread_run):
    # frame_format.md §5.1.
    records = wire.records(bread_run.data)
    assert [type(record).__name__ for record in records[:4]] == ["Board", *["Stream"] * 3]
    assert records[0].streams == 3
    for boot in (1, 2):
        clocks = [one.clock for one in records if isinstance(one, wire.Board) and one.boot == boot]
        assert clocks[0] == 0
        assert max(np.diff(clocks)) <= 5_000_000


def test_a_lone_zero_precedes_the_first_frame_of_each_start_only(bread_run):
    # frame_format.md §3.3.
    starts = [at for at, one in enumerate(bread_run.sent) if one.data[0] == 0]
    boots = [bread_run.sent[at].record.boot for at in starts]
    assert starts[0] == 0
    assert boots == [1, 2]


def test_rates_are_as_planned(bread_run):
    # 100, 5 and 2 Hz over 769 s less 20 s of power off.
    seconds = bread_run.simulation.time / 1e6 - 20.0
    for stream, rate in ((1, 100.0), (2, 5.0), (3, 2.0)):
        assert len(wire.samples(bread_run.data, stream)) == pytest.approx(rate * seconds, rel=2e-3)


def test_channel_names_and_units_are_the_vocabulary_s(bread_run):
    terms = vocabulary()
    plans = list(wire.descriptions(bread_run.data).values())
    plans += wire.descriptions(joined(sent(streams=wide_streams(KESTREL), seconds=0.1))).values()
    for channel in (channel for plan in plans for channel in plan.channels):
        assert terms[channel.name].unit == channel.unit
        assert (channel.index == 0) == (terms[channel.name].index == "none")


def test_forty_channels_at_100_hz_can_be_asked_for():
    data = joined(sent(streams=wide_streams(KESTREL), seconds=2.0))
    plan = wire.descriptions(data)["all"]
    assert (len(plan.channels), plan.period) == (40, 10_000)
    assert len({(one.name, one.index) for one in plan.channels}) == 40
    assert len(wire.samples(data, 1)) == 201


def test_values_decode_to_what_the_machine_did():
    # Within five standard deviations of the stated noise plus half a quantum.
    simulation = Simulation(scenario=TOWN_LOOP, seconds=6.0)
    data = joined(simulation.run())
    machine = simulation.machine
    fast, cells = (wire.descriptions(data)[name] for name in ("fast", "cells"))
    last = wire.samples(data, 1)[-1][2]
    drive = machine.drives[1]
    for name, index, value, within in (
        ("pack_voltage", 0, machine.pack.voltage, 0.105),
        ("battery_current", 0, machine.pack.current, 0.405),
        ("motor_current", 2, drive.current, 1.025),
        ("duty_cycle", 2, drive.duty, 0.0035),
        ("motor_speed", 2, drive.speed * 60.0 / (2.0 * np.pi), 8.0),
        ("speed", 0, machine.speed, 0.0505),
        ("throttle", 0, machine.throttle, 0.0025),
    ):
        column = fast.column(name, index)
        assert fast.channels[column].value(last[column]) == pytest.approx(value, abs=within)
    volts = [
        one.value(raw)
        for one, raw in zip(cells.channels, wire.samples(data, 2)[-1][2], strict=True)
    ]
    assert volts == pytest.approx(machine.pack.cell_voltages(), abs=0.0065)
    assert machine.speed > 3.0


def test_noise_has_the_stated_deviation(bread_run):
    # Statistics: standing in the yard nothing moves, so what moves is noise and quantum;
    # sqrt(0.08² + 0.01²/12) A over 300 samples, standard error 4.1 %, allow three of them.
    fast = wire.descriptions(bread_run.data)["fast"]
    column = fast.column("battery_current")
    current = [
        fast.channels[column].value(row[column]) for _, _, row in wire.samples(bread_run.data, 1)
    ]
    assert np.std(current[50:350]) == pytest.approx(0.0801, rel=0.123)


def test_the_same_seed_gives_the_same_bytes_in_another_process():
    code = (
        "import hashlib; from sagline_logger.simulator import Simulation\n"
        "d = b''.join(t.data for t in Simulation(seed=5, seconds=12).run())\n"
        "print(hashlib.sha256(d).hexdigest())"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "12345"}
    there = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    here = joined(sent(seed=5, seconds=12.0))
    assert there.stdout.strip() == hashlib.sha256(here).hexdigest()
    assert here != joined(sent(seed=6, seconds=12.0))


def test_the_clock_wraps_at_32_bits():
    # Arithmetic modulo 2^32; frame_format.md §5.7.
    start = 2**32 - 1_500_000
    data = joined(sent(clock=DeviceClock(start=start), seconds=4.0))
    clocks = [clock for _, clock, _ in wire.samples(data, 1)]
    assert clocks == [(start + 10_000 * at) % 2**32 for at in range(401)]
    assert clocks[0] > clocks[-1]


def test_drift_is_in_millionths():
    # A clock 100 ppm fast counts 1,000,100 µs in one true second.
    assert DeviceClock(drift=100.0).true_seconds(1_000_100) == pytest.approx(1.0, rel=1e-12)
    assert DeviceClock(drift=-50.0).true_seconds(3_600_000_000) == pytest.approx(3600.18, abs=1e-4)


def test_a_pack_swap_is_a_new_start_after_silence():
    clock = DeviceClock(start=123_456_000, boot=65_535)
    simulation = Simulation(scenario=SWAP, clock=clock)
    transmissions = list(simulation.run())
    times = [one.time for one in transmissions]
    gap = int(np.argmax(np.diff(times)))
    before, after = transmissions[: gap + 1], transmissions[gap + 1 :]
    # What waited for a full frame of ten samples is lost with the power, so the silence is longer.
    assert 7.0 <= (after[0].time - before[-1].time) / 1e6 < 7.1
    assert {one.record.boot for one in before} == {65_535}
    assert {one.record.boot for one in after} == {0}  # 16 bits, and different from the one before
    old, new = (wire.records(joined(part)) for part in (before, after))
    assert isinstance(new[0], wire.Board)
    assert (old[0].clock, new[0].clock) == (123_456_000, 0)
    firsts = {one.stream: one.sequence for one in reversed(new) if isinstance(one, wire.Samples)}
    assert firsts == {1: 0, 2: 0, 3: 0}
    pack = simulation.machine.pack
    assert pack.state_of_charge(1) == pytest.approx(0.9, abs=0.02)
    assert max(pack.ohmic) < 1.1 * min(pack.ohmic)  # the fresh pack has no weak group


def test_nobody_swaps_a_pack_while_rolling():
    scenario = Scenario(
        "swap",
        legs=(Leg("ride", 5.0, seconds=4.0), PackSwap(5.0, 0.9), Leg("stand", 0.0, seconds=1)),
    )
    simulation = Simulation(scenario=scenario)
    speeds = {}
    for one in simulation.run():
        speeds.setdefault(one.record.boot, simulation.machine.speed)
        last = simulation.machine.speed
    assert speeds[2] == 0.0
    assert last == 0.0


def test_the_weak_cell_cuts_the_drive_and_the_fault_clears(bread_run):
    # frame_format.md §5.6; 2.70 V for 0.5 s, cleared 0.25 V higher for 5 s (faults.py).
    events = [one for one in wire.records(bread_run.data) if isinstance(one, wire.Event)]
    assert [(one.event, one.number, one.index, one.sequence) for one in events] == [
        (1, 3, 7, 0),
        (2, 3, 7, 1),
    ]
    assert events[0].text == "cell 7 below stop voltage: drive cut"
    raised, cleared = (one.clock for one in events)
    cells = [(clock, row) for boot, clock, row in wire.samples(bread_run.data, 2) if boot == 1]
    before = [row for clock, row in cells if raised - 400_000 <= clock <= raised]
    assert len(before) >= 2
    assert all(row[6] < 2706 and min(row[:6] + row[7:]) > 2900 for row in before)  # mV, 5σ noise
    calm = [row for clock, row in cells if cleared - 4_900_000 <= clock <= cleared]
    assert all(row[6] > 2944 for row in calm)
    fast = wire.descriptions(bread_run.data)["fast"]
    column = fast.column("motor_current", 1)
    cut = [
        fast.channels[column].value(row[column])
        for boot, clock, row in wire.samples(bread_run.data, 1)
        if boot == 1 and raised + 20_000 <= clock <= cleared
    ]
    assert max(cut) < 1.05  # 5σ of noise above nothing: no drive while the fault stands


def test_a_loose_plug_reads_missing_and_only_then():
    scenario = replace(TOWN_LOOP, dropouts=(Dropout("battery_temperature", 1, 2.0, 4.0),))
    data = joined(sent(scenario=scenario, seconds=6.0))
    plan = wire.descriptions(data)["temperatures"]
    column = plan.column("battery_temperature", 1)
    missing = [
        clock / 1e6
        for _, clock, row in wire.samples(data, 3)
        if row[column] == plan.channels[column].missing
    ]
    assert missing == [2.0, 2.5, 3.0, 3.5]


def test_more_time_than_the_ride_has_starts_it_over():
    scenario = replace(SWAP, between=PackSwap(2.0, 0.5, weak=True))
    boots = [one.record.boot for one in sent(scenario=scenario, seconds=60.0)]
    assert boots == sorted(boots)
    assert max(boots) >= 4
    times = [one.time for one in sent(scenario=TOWN_LOOP, seconds=104.0)]
    assert times[-1] == 104_000_000


def test_a_run_cut_short_sends_what_waited():
    transmissions = sent(scenario=TOWN_LOOP, seconds=1.03)
    fast = [
        one for one in transmissions if isinstance(one.record, Samples) and one.record.stream == 1
    ]
    assert [len(one.rows) for one in fast] == [10] * 10 + [4]


def test_random_boards_are_reproducible_and_different():
    boards = [random_board(seed) for seed in range(20)]
    assert boards == [random_board(seed) for seed in range(20)]
    assert {len(board.drives) for board in boards} == {1, 2}
    assert len({board.pack.series for board in boards}) > 3
    events = [
        one
        for one in sent(board=boards[3], scenario=TOWN_LOOP, seconds=5.0)
        if isinstance(one.record, Event)
    ]
    assert events == []


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"streams": standard_streams(KESTREL, fast_period=3_000)}, "3000 µs is no multiple"),
        ({"streams": standard_streams(KESTREL, fast_samples_per_frame=256)}, "256 samples"),
        ({"streams": wide_streams(KESTREL), "board": random_board(1)}, "cannot measure"),
        ({"step": 3_000}, "does not divide"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_in_one_line(options, words):
    with pytest.raises(SaglineError, match=words) as caught:
        Simulation(**options)
    assert "\n" not in str(caught.value)


def test_it_is_much_faster_than_real_time():
    # The brief's number: 20 times.  Processor time, so that other programs do not count.
    import time

    start = time.process_time()
    joined(sent(seconds=30.0))
    assert 30.0 / (time.process_time() - start) > 20.0

"""Score ``compare`` on simulated rides, A B B A: interval coverage, false verdicts, predictions.

``python tests/benchmarks/compare.py [BOARDS] [PREDICTIONS]`` (default 125 boards, which is 250
comparisons of each kind, and 200 predictions). Every board is a random one on a road of its own,
with one limit changed; four rides of five launches with the old value and four with the new, each
ride with its own rider, throttle openings, pauses and state of charge. Ride 1 of either setting
shares those by-chance things with ride 1 of the other, and so on.

A stated 90 % interval is one for the mean difference that the two settings make under that process
of rides. The truth is the mean over all four of what a ride shows with the new setting and the same
ride, equal in all that is chance, with the old. The orders old 1, new 3, new 4, old 2 and old 3,
new 1, new 2, old 4 are held against it: within an order no chance is shared. Equal settings: the
four rides of either setting, as A, B, B, A. Predictions: from old 1 alone what new 2 shows, one a
board; boards past the first BOARDS ride only these two.
"""

import random
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from sagline_analyser.compare.comparison import Comparison, compare
from sagline_analyser.compare.measures import figures
from sagline_analyser.compare.predict import predict
from sagline_analyser.compare.runs import choose_launches, find_runs
from sagline_analyser.compare.sides import split
from support.launch_rides import changed, launch_board, launch_ride
from support.simulated_rides import SimulatedRide

ORDERS = ((1, 3, 4, 2), (3, 1, 2, 4))
"""Rides of A, B, B and A."""

KEYS = ("time_to_speed", "distance", "peak_battery", "mean_motor", "heat", "sag", "energy")


@dataclass(frozen=True)
class Pair:
    """One comparison: by measure whether the interval held the truth, whether any measure was
    called clear, the verdict, and whether it has the truth's sign."""

    covered: dict[str, bool]
    clear: bool
    outcome: str
    right: bool


@dataclass(frozen=True)
class Board:
    """One board's comparisons, and its prediction: by measure whether it was inside, and its
    relative error; ``change`` is that of the launch time itself."""

    different: list[Pair]
    equal: list[Pair]
    inside: dict[str, bool]
    errors: dict[str, float]
    change: float


def setting(seed: int) -> tuple[str, float]:
    """Return which limit is changed and by what factor."""
    chance = random.Random(f"setting {seed}")
    name = chance.choice(("motor_current", "battery_current"))
    return name, chance.choice((chance.uniform(0.8, 0.97), chance.uniform(1.03, 1.25)))


def one_board(seed: int, whole: bool) -> Board:
    """Ride one board eight times and score everything; only its prediction unless ``whole``."""
    board = launch_board(seed)
    name, factor = setting(seed)
    other = changed(board, name, factor)
    rides = {
        (letter, part): launch_ride(machine, f"{seed} {part}", slope_seed=seed)
        for letter, machine in (("A", board), ("B", other))
        for part in range(1, 5)
        if whole or (letter, part) in (("A", 1), ("B", 2))
    }
    # The same chance would be seen in both sides of an order: they take different rides.
    different = [_against(rides, "ABBA", order) for order in ORDERS if whole]
    equal = [_against(rides, side * 4, (1, 2, 3, 4)) for side in "AB" if whole]
    found = _compare([rides["A", 1], rides["B", 2]], "AB")
    limits = board.drives[0].controller.limits
    made = predict(found, f"{name}_limit", getattr(limits, name) * factor)
    inside, errors = {}, {}
    for figure in made.figures:
        assert figure.measured is not None and figure.inside is not None
        inside[figure.measure.key] = figure.inside
        errors[figure.measure.key] = abs(figure.value / figure.measured - 1)
    row = found.main.row("time_to_speed")
    assert row.mean_b is not None
    return Board(different, equal, inside, errors, abs(row.mean_b / row.mean_a - 1))


def _compare(rides: list[SimulatedRide], sides: str) -> Comparison:
    return compare(split([(r.ride, r.board_file) for r in rides], sides=sides))


def _against(
    rides: dict[tuple[str, int], SimulatedRide], machines: str, order: tuple[int, ...]
) -> Pair:
    """Compare four rides of these machines in A, B, B, A; of one machine nothing is the truth."""
    found = _compare([rides[key] for key in zip(machines, order, strict=True)], "ABBA")
    group, verdict = found.main, found.verdict
    assert verdict is not None

    def mean(ride: SimulatedRide, key: str) -> float:
        runs, _ = find_runs(ride.ride, ride.board_file, "A", 1, (0.0, np.inf))
        return float(np.mean([figures(r, group.goal)[key] for r in choose_launches(runs)[0]]))

    truth = {
        key: float(np.mean([mean(rides["B", n], key) - mean(rides["A", n], key) for n in order]))
        if machines == "ABBA"
        else 0.0
        for key in KEYS
    }
    rows = [row for row in group.rows if row.measure.key in KEYS and row.difference is not None]
    gained = -truth["time_to_speed"]
    return Pair(
        {
            r.measure.key: r.difference.low <= truth[r.measure.key] <= r.difference.high
            for r in rows
            if r.difference is not None
        },
        any(row.clear for row in group.rows),
        str(verdict.outcome),
        (verdict.outcome == "better" and gained > 0) or (verdict.outcome == "worse" and gained < 0),
    )


def main(boards: int, predictions: int) -> None:
    """Print the tables."""
    found = []
    seeds = range(1, max(boards, predictions) + 1)
    with ProcessPoolExecutor(2) as pool:
        for result in pool.map(one_board, seeds, [seed <= boards for seed in seeds]):
            found.append(result)
            if len(found) % 10 == 0:
                print(_so_far(found), file=sys.stderr, flush=True)
    _coverage([pair for board in found for pair in board.different])
    _equal([pair for board in found for pair in board.equal])
    _predictions(found[:predictions])


def _so_far(found: list[Board]) -> str:
    key = "time_to_speed"
    different = [pair.covered[key] for board in found for pair in board.different]
    better = [pair.outcome == "better" for board in found for pair in board.equal]
    inside = [[b.inside[k] for b in found] for k in (key, "peak_battery")]
    return (
        f"{len(found)} boards: launch time covered {np.mean(different):.1%}, falsely "
        f"better {np.mean(better):.1%}, predicted {np.mean(inside[0]):.1%} and, battery peak, "
        f"{np.mean(inside[1]):.1%}"
    )


def _coverage(pairs: list[Pair]) -> None:
    print(f"{len(pairs)} times A, B, B, A with different settings, five launches a ride")
    print("Truth inside the stated 90 % interval (to reach: 85 to 97 %)")
    every = []
    for key in KEYS:
        own = [pair.covered[key] for pair in pairs if key in pair.covered]
        every += own
        print(f"  {key:16} {np.mean(own):7.1%}   of {len(own)}")
    print(f"  {'all':16} {np.mean(every):7.1%}")
    count = Counter(pair.outcome for pair in pairs)
    told = [pair for pair in pairs if pair.outcome in ("better", "worse")]
    print(f"Verdicts: {dict(count)}; right of those told: {np.mean([p.right for p in told]):.1%}\n")


def _equal(pairs: list[Pair]) -> None:
    print(f"{len(pairs)} times A, B, B, A with equal settings")
    for outcome in ("better", "worse"):
        rate = np.mean([pair.outcome == outcome for pair in pairs])
        print(f"  falsely {outcome:8} {rate:7.1%}   (to stay at or below 5 %)")
    rate = np.mean([pair.clear for pair in pairs])
    print(f"  any measure falsely clear, either direction {rate:7.1%}   (stated: at most 10 %)")
    every = [hit for pair in pairs for hit in pair.covered.values()]
    rate = np.mean([pair.outcome == "no difference that matters" for pair in pairs])
    print(f"  no difference that matters {rate:7.1%}")
    print(f"  zero inside the 90 % interval {np.mean(every):7.1%}\n")


def _predictions(boards: list[Board]) -> None:
    print(f"{len(boards)} boards: B's mean inside the interval predicted from A alone")
    print("  (to reach for launch time and peak battery current: 85 %)")
    for key in boards[0].inside:
        own = [board for board in boards if key in board.inside]
        error = np.median([board.errors[key] for board in own])
        rate = np.mean([board.inside[key] for board in own])
        print(f"  {key:16} {rate:7.1%}   of {len(own)}, median error {error:.2%}")
    print(f"  median change of the launch time itself {np.median([b.change for b in boards]):.1%}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(numbers[0] if numbers else 125, numbers[1] if len(numbers) > 1 else 200)

"""Score "what held it back" and "heat" against the simulated board's own truth.

``python tests/benchmarks/findings_ride.py [RIDES] [FIRST]`` (default 200 from 1): one seeded random
board and ride each, with other heat capacities and deratings each time.  A third of the rides come
with the settings in the board file, a third with the limits in force as channels, a third with
nothing but the ride itself.
"""

import math
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from sagline_analyser.findings.drive.held_back import Cause
from support.findings_scores import Attribution, HeatScore, score_attribution, score_heat
from support.simulated_rides import simulated_ride

KNOWLEDGE = ("settings", "in force", "nothing")


def one(seed: int) -> tuple[int, Attribution, list[HeatScore]]:
    """Return the scores of one ride."""
    simulated = simulated_ride(seed, KNOWLEDGE[seed % 3])
    return seed, score_attribution(simulated), list(score_heat(simulated))


def main(rides: int, first: int) -> None:
    """Print the table."""
    with ProcessPoolExecutor(2) as pool:
        results = []
        for result in pool.map(one, range(first, first + rides)):
            results.append(result)
            if sys.stderr.isatty() or len(results) % 10 == 0:
                print(f"{len(results)} of {rides} rides", file=sys.stderr, flush=True)
    print(f"{rides} rides, seeds {first} to {first + rides - 1}\n")
    attribution(results)
    times(results)


def attribution(results: list[tuple[int, Attribution, list[HeatScore]]]) -> None:
    """Print right attributions as shares of the s of hard demand."""
    print("What held it back        hard demand   right    worst ride  rides at 95 % or more")
    for number, knowledge in enumerate(KNOWLEDGE):
        own = [score for seed, score, _ in results if seed % 3 == number and score.whole > 0]
        row(f"limits: {knowledge}", own)
    row("all", [score for _, score, _ in results if score.whole > 0])
    by_cause: defaultdict[Cause, Counter[Cause]] = defaultdict(Counter)
    for _, score, _ in results:
        for (true, found), seconds in score.seconds.items():
            by_cause[true][found] += seconds
    print("\nTrue cause                    seconds   right   most often taken for")
    for true, found in by_cause.items():
        whole = sum(found.values())
        wrong = [(s, c) for c, s in found.items() if c is not true]
        most = max(wrong, default=(0.0, None))
        other = f"{most[1]} ({most[0] / whole:.1%})" if most[1] else ""
        print(f"{true:28} {whole:8.0f}  {found[true] / whole:6.1%}   {other}")


def row(name: str, scores: list[Attribution]) -> None:
    """Print one row of attributions."""
    if not scores:
        return
    whole = sum(s.whole for s in scores)
    shares = [s.right / s.whole for s in scores]
    good = sum(share >= 0.95 for share in shares)
    print(
        f"{name:22} {whole:10.0f} s  {sum(s.right for s in scores) / whole:6.1%}   "
        f"{min(shares):8.1%}   {good} of {len(scores)}"
    )


def times(results: list[tuple[int, Attribution, list[HeatScore]]]) -> None:
    """Print how near the times to a limit come."""
    print("\nTime to a limit        cases   told   within 15 %   median |error|   in 90 % interval")
    for part in ("motor", "controller"):
        for cold in (True, False):
            every = [o for _, _, own in results for o in own if (o.part, o.cold) == (part, cold)]
            told = [o for o in every if o.told]
            if not told:
                continue
            errors = sorted(abs(o.error) for o in told)
            finite = [e if math.isfinite(e) else 9.99 for e in errors]
            near = sum(e <= 0.15 for e in finite) / len(told)
            start = "from cold" if cold else "from now"
            median, inside = finite[len(finite) // 2], sum(o.covered for o in told) / len(told)
            print(
                f"{part + ' ' + start:22} {len(every):5}  {len(told):5}   {near:11.1%}   "
                f"{median:14.1%}   {inside:16.1%}"
            )


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    )

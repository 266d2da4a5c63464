"""Cell findings against the truth of simulated rides with chance-drawn boards.

Run: ``python tests/benchmarks/findings_cells.py [RIDES] [PROCESSES] [FIRST]``, FIRST being the
first ride's seed.  Half of the boards have a weak cell, half have none; resistances, relaxation,
charge, the cell readings' rate, noise and quantum, and the skew between the streams are drawn too.
Prints one table.
"""

import multiprocessing
import os
import sys
import tempfile
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # the processes share the cores already
sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from support.scored_cells import Score, score_cells


def main(rides: int = 200, processes: int = 2, first: int = 0) -> None:
    """Score ``rides`` rides from seed ``first`` on and print the table."""
    scores: list[Score] = []
    with tempfile.TemporaryDirectory() as folder, multiprocessing.Pool(processes) as pool:
        run = partial(score_cells, folder=Path(folder))
        for score in pool.imap_unordered(run, range(first, first + rides)):
            scores.append(score)
            if score.rightly is False:
                print(f"  not right: {score}", flush=True)
            if score.verdicts_wrong or np.max(np.abs(score.step_errors), initial=0.0) > 0.2:
                worst = np.max(np.abs(score.step_errors), initial=0.0)
                print(
                    f"  ride {score.seed}: worst step error {worst:.0%}, alarms' errors in V "
                    f"{np.round(score.rest_errors, 3).tolist()}, {score.rest_inside} inside, "
                    f"{score.verdicts_wrong} judged wrongly",
                    flush=True,
                )
    known = [score for score in scores if score.known]
    weak = [score for score in scores if score.excess >= 0.25]
    alike = [score for score in scores if score.excess <= 0.05]
    step = np.abs(np.concatenate([score.step_errors for score in known]))
    ten = np.abs(np.concatenate([score.ten_errors for score in known]))
    rests = np.abs([error for score in known for error in score.rest_errors])
    rows = [
        ("rides", f"{len(scores)}, of which {len(scores) - len(known)} could not be judged"),
        (
            "weak cell (≥ 25 % above) named, and it alone",
            f"{sum(s.rightly is True for s in weak)} of {len(weak)}",
        ),
        ("weak cell: another one named", f"{sum(bool(set(s.named) - {s.worst}) for s in weak)}"),
        ("all within 5 %: a cell named", f"{sum(bool(s.named) for s in alike)} of {len(alike)}"),
        ("step resistance, error", _spread(step)),
        (
            "step resistance, truth inside the 90 % interval",
            f"{sum(s.step_inside for s in known) / len(step):.1%} of {len(step)} cells",
        ),
        ("10 s resistance, error", _spread(ten)),
        (
            "skew between the streams, error",
            f"median {1e3 * np.median(np.abs([s.skew_error for s in known])):.0f} ms",
        ),
        ("low-cell alarms", f"{len(rests)}"),
    ]
    if len(rests):
        rows += [
            (
                "  voltage at rest, error",
                f"median {1e3 * np.median(rests):.0f} mV, 95th percentile "
                f"{1e3 * np.percentile(rests, 95):.0f} mV",
            ),
            (
                "  truth inside the 90 % interval",
                f"{sum(s.rest_inside for s in known) / len(rests):.1%}",
            ),
            ("  judged sag or empty wrongly", f"{sum(s.verdicts_wrong for s in known)}"),
        ]
    for name, text in rows:
        print(f"{name:<50}{text}")


def _spread(errors: np.ndarray) -> str:
    return (
        f"median {np.median(errors):.1%}, 95th percentile {np.percentile(errors, 95):.1%}, "
        f"worst {np.max(errors):.1%}"
    )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))

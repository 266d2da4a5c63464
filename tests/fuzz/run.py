"""Coverage-guided search for input that breaks a reader: ``run.py [--seconds 600] [TARGET ...]``.

Processes of one target, one after the other; whatever breaks is kept in ``cases/TARGET`` and stops
that target, so a run is clean only when every target used up its time.  Needs the extra ``dev``.
"""

import argparse
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

MEMORY_DISK = next((place for place in ("/dev/shm",) if Path(place).is_dir()), None)
NAMES = ("frames", "log", "board", "columns", "wrapped")
LONGEST = {"board": 4096, "columns": 4096}
"""Bytes of a case; of the rest 16384, over three times the longest frame."""
SECONDS_A_CASE = 20
SECONDS_A_PROCESS = 100
"""The search itself leaks up to some 30 kB a run where arrays are compared (the same cases run
again and again without it take no more): a new process goes on with what the last one learned."""
MEMORY = 768
"""MiB of the whole process, of which the interpreter, numpy and the search take about 200."""


def main() -> int:
    """Run the search, or with ``--inside`` be the process of one target."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(NAMES))
    parser.add_argument("--seconds", type=int, default=600, help="for each target")
    parser.add_argument("--learned", type=Path, help="directory to keep the grown corpora in")
    parser.add_argument("--inside", metavar="CORPUS", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if unknown := set(arguments.targets) - set(NAMES):
        parser.error(f"no target {', '.join(sorted(unknown))}; there are: {', '.join(NAMES)}")
    if arguments.inside:
        search(arguments.targets[0], arguments.inside, arguments.seconds, arguments.learned)
    failed = []
    for name in arguments.targets or NAMES:
        print(f"== {name}", flush=True)
        with tempfile.TemporaryDirectory(dir=MEMORY_DISK) as corpus:
            for part in parts(arguments.seconds):
                words = [__file__, "--inside", corpus, "--seconds", str(part), name]
                if arguments.learned:
                    words += ["--learned", str(arguments.learned.resolve())]
                if subprocess.run([sys.executable, *words], cwd=corpus, check=False).returncode:
                    failed.append(name)
                    break
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            print(f"{used.ru_utime + used.ru_stime:.0f} s of a processor so far", flush=True)
    print("found something in " + ", ".join(failed) if failed else "nothing found", flush=True)
    return 1 if failed else 0


def parts(seconds: int) -> list[int]:
    """Return the seconds of each process that searches for ``seconds`` in all."""
    whole, rest = divmod(seconds, SECONDS_A_PROCESS)
    return [SECONDS_A_PROCESS] * whole + ([rest] if rest else [])


def search(name: str, corpus: Path, seconds: int, learned: Path | None) -> None:
    """Search one target from its seeds and kept cases; does not return."""
    import atheris

    with atheris.instrument_imports(include=["sagline_logger", "sagline_analyser", "tomllib"]):
        from fuzz.seeds import SEEDS, mutated, words
        from fuzz.targets import TARGETS

    cases = HERE / "cases" / name
    cases.mkdir(parents=True, exist_ok=True)
    known = (learned or corpus) / f"{name}_known"
    known.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(SEEDS[name]()):
        (known / f"seed{number}").write_bytes(seed)
    dictionary = corpus / "words"
    quoted = ("".join(f"\\x{byte:02x}" for byte in word.encode()) for word in words(name))
    dictionary.write_text("".join(f'"{word}"\n' for word in quoted) or "# none\n")
    options = [
        f"-max_total_time={seconds}",
        f"-timeout={SECONDS_A_CASE}",
        f"-rss_limit_mb={MEMORY}",
        f"-max_len={LONGEST.get(name, 16384)}",
        f"-artifact_prefix={cases}/",
        f"-dict={dictionary}",
        "-print_final_stats=1",
        "-verbosity=1",
    ]
    place = corpus / "place"
    place.mkdir(exist_ok=True)
    target = TARGETS[name]
    atheris.Setup(
        [sys.argv[0], *options, str(known), str(cases)],
        lambda data: target(data, place),
        custom_mutator=lambda data, size, seed: mutated(name, data, size, seed, atheris.Mutate),
    )
    atheris.Fuzz()


if __name__ == "__main__":
    sys.exit(main())

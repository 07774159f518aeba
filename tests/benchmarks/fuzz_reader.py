"""Read spoilt jobs: ``python -m tests.benchmarks.fuzz_reader [-n 10000] [--seed 1] [--check] [--keep]``.

Each job must be read, or refused with a list of problems that name places, within seconds.  Time is measured by the
wall clock, memory by tracemalloc on every twentieth job and on a few large ones.  With ``--check`` jobs that are read
are adjusted and judged too.  A failure keeps the job's files below the temporary folder and is reported at the end.
"""

from __future__ import annotations

import argparse
import signal
import sys
import tempfile
import time
import traceback
import tracemalloc
from collections import Counter
from pathlib import Path
from random import Random

import numpy as np

import heightnet
from tests.job.test_fuzz_reader import assert_read_or_refused, put
from tests.mutate import mutated, starting_jobs

LIMIT_S = 20
LARGE_ROWS = 50_000
RESULTS = Path(__file__).parent / "results" / "fuzz_reader.md"
HEAD = """# Reading spoilt jobs

Made by `python -m tests.benchmarks.fuzz_reader -n {n} --seed {seed} --keep`: demo jobs and two small ones spoilt at
random in cells, rows, columns, headings, bytes, files and settings, and twenty large ones. Each is read, or refused
with a list of problems that name places; anything else would be counted as failed. The machine did other work too.

"""


def large_job(rng: Random) -> dict[str, bytes]:
    """A flat job with many rows, of which one cell is spoilt."""
    rows = [b"setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle"]
    for i in range(LARGE_ROWS):
        at, to, tenths = i // 10, i // 10 + i % 10, rng.randrange(36000)
        angle = f"89-{tenths // 600:02d}-{tenths % 600 / 10:04.1f}"
        rows.append(f"S{at},M{at},1.{500 + at % 90},M{to},1.600,{50 + i % 97}.123,{angle}".encode())
    return {"shots.csv": b"\n".join(rows) + b"\n"}


def timeout(*_: object) -> None:
    raise TimeoutError(f"more than {LIMIT_S} s")


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("-n", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--check", action="store_true", help="adjust and judge what is read, too")
    parser.add_argument("--keep", action="store_true", help="keep the figures in results/fuzz_reader.md")
    options = parser.parse_args()
    signal.signal(signal.SIGALRM, timeout)
    jobs = starting_jobs()
    outcome: Counter[str] = Counter()
    seconds: list[float] = []
    peak: list[float] = []
    ratio: list[float] = []
    failures: list[tuple[Path, str]] = []
    scratch = Path(tempfile.mkdtemp(prefix="fuzz-"))
    for number in range(options.n + 20):
        rng = Random(options.seed * 1_000_003 + number)
        large = number >= options.n
        sound = large_job(rng) if large else rng.choice(jobs)
        files = mutated(sound, rng)
        home = put(files, scratch / "job")
        traced = large or number % 20 == 0
        if traced:
            tracemalloc.start()
        start = time.perf_counter()
        signal.alarm(LIMIT_S * (5 if large else 1))
        try:
            job = assert_read_or_refused(home)
            outcome["refused" if job is None else "read"] += 1
            took = time.perf_counter() - start
            if job is not None and options.check and not large and not traced:
                try:
                    heightnet.check(job).to_json()
                    outcome["checked"] += 1
                except heightnet.HeightnetError:
                    outcome["not adjusted, said why"] += 1
        except Exception:
            took = time.perf_counter() - start
            outcome["failed"] += 1
            kept = put(files, scratch / f"failed-{number}")
            failures.append((kept, traceback.format_exc()))
        finally:
            signal.alarm(0)
        if traced:
            most = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            if large:
                ratio.append(most / max(sum(map(len, texts.values())) for texts in (sound, files)))
            else:
                peak.append(most / 1e6)
        else:
            seconds.append(took)
    said = [", ".join(f"{k} {v}" for k, v in sorted(outcome.items()))]
    if seconds:
        said.append(f"time a job: median {np.median(seconds) * 1000:.0f} ms, longest {max(seconds) * 1000:.0f} ms")
    if peak:
        said.append(f"memory of a small job: at most {max(peak):.1f} MB")
    said.append(f"memory of a job of {LARGE_ROWS} rows: at most {max(ratio):.1f} times its files")
    print("\n".join(said))
    if options.keep:
        lines = "".join(f"- {line}\n" for line in said)
        RESULTS.write_text(HEAD.format(n=options.n, seed=options.seed) + lines, encoding="utf-8")
    for kept, text in failures[:20]:
        print(f"\n{kept}\n{text}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())

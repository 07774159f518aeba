"""How fast an archive is screened, in how much memory, on how many workers: ``python -m tests.benchmarks.archive``.

Writes results/archive.json and results/archive.md.  Give names of parts (throughput, workers, cluster, memory,
handed_out, page) to measure these only and keep the others.  The jobs are simulated, S1, S2 and S3 of
`tests.simulate.jobs` in turn; those of the memory part are the smallest there are, so that many fit into minutes.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from heightnet.archives.find import find_jobs
from heightnet.archives.screen import screen_archive

RESULTS = Path(__file__).parent / "results"
KINDS = ("S1", "S2", "S3")
JOBS = 120
REPEATS = 3
MEMORY_JOBS = (100, 1000)
HANDED_OUT = (1000, 10_000, 100_000)
PAGE_ROWS = (1000, 10_000, 50_000)
MB = 2**20


def simulated(folder: Path, count: int) -> Path:
    """Jobs of three kinds in turn; every fifth has a wrong height."""
    from heightnet.job.write import write_job
    from tests.simulate.jobs import simulate

    for i in range(count):
        wrong = {"setup:S3": 0.05} if i % 5 == 0 else {}
        write_job(simulate(KINDS[i % len(KINDS)], i, wrong)[0], folder / f"{i // 100:03d}" / f"job {i:05d}")
    return folder


def smallest(folder: Path, count: int) -> Path:
    """Two known marks sighted from one set-up, over and over."""
    for i in range(count):
        job = folder / f"{i // 100:03d}" / f"job {i:05d}"
        job.mkdir(parents=True)
        (job / "marks.csv").write_text("mark,height\nBM1,50.000\nBM2,51.250\nS1,\n")
        (job / "shots.csv").write_text(
            "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
            f"1,S1,1.543,BM1,1.600,50.{i % 1000:03d},90-20-00\n1,S1,1.543,BM2,1.600,50.{i % 1000:03d},88-55-50\n"
        )
    return folder


class Clock:
    """Times of the outcomes of a run; ``rate`` leaves the start of the workers and their imports out."""

    def __init__(self) -> None:
        self.begun = time.perf_counter()
        self.at: list[float] = []

    def tell(self, stage: str, done: int, total: int) -> None:
        if stage == "checking":
            self.at.append(time.perf_counter() - self.begun)

    def rate(self) -> float:
        """Jobs a second between a quarter of the jobs and all of them."""
        first = len(self.at) // 4
        return (len(self.at) - 1 - first) / (self.at[-1] - self.at[first])


def timed(archive: Path, **options: Any) -> dict[str, float]:
    """One run into an output of its own."""
    with tempfile.TemporaryDirectory() as scratch:
        load, before, clock = os.getloadavg()[0], processor_s(), Clock()
        done = screen_archive(archive, Path(scratch) / "out", tell=clock.tell, parquet=False, **options)
        assert done.counts["error"] == 0, done.counts
        whole = time.perf_counter() - clock.begun
        size = sum(p.stat().st_size for p in Path(scratch, "out", "jobs").rglob("*") if p.is_file())
        return {
            "jobs_per_s": clock.rate(), "whole_s": whole, "load_before": load,
            "processor_s_per_job": (processor_s() - before) / done.counts["checked"],
            "report_kB_per_job": size / done.counts["checked"] / 1000,
            "store_kB_per_job": Path(scratch, "out", "archive.sqlite").stat().st_size / done.counts["checked"] / 1000,
            "index_kB_per_job": sum(
                Path(scratch, "out", name).stat().st_size for name in ("index.html", "archive.json", "archive.csv")
            ) / done.counts["checked"] / 1000,
        }  # fmt: skip


def processor_s() -> float:
    """Processor seconds of the workers that have ended so far; hardly changed by what else the machine does."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def middle(runs: list[dict[str, float]]) -> dict[str, float]:
    return {key: round(statistics.median(run[key] for run in runs), 4) for key in runs[0]}


def throughput(archive: Path) -> dict[str, Any]:
    """One worker with and without pages; a second run with nothing to do."""
    out: dict[str, Any] = {"jobs": JOBS, "kinds": list(KINDS)}
    out["job_kB"] = sum(p.stat().st_size for p in archive.rglob("*") if p.is_file()) / JOBS / 1000
    out["no_page"] = middle([timed(archive, workers=1, page=False) for _ in range(REPEATS)])
    out["page"] = timed(archive, workers=1, page=True)
    with tempfile.TemporaryDirectory() as scratch:
        screen_archive(archive, Path(scratch) / "out", workers=1, page=False)
        clock = Clock()
        screen_archive(archive, Path(scratch) / "out", workers=1, page=False, tell=clock.tell)
        out["second_run"] = {"jobs_per_s": clock.rate(), "whole_s": time.perf_counter() - clock.begun}
    return out


def workers(archive: Path) -> dict[str, Any]:
    """One worker and two in turn; and two runs of one worker side by side, the most that this machine gives."""
    one, two, beside = [], [], []
    for _ in range(REPEATS):
        one.append(timed(archive, workers=1, page=False))
        two.append(timed(archive, workers=2, page=False))
        beside.append(side_by_side(archive))
    ratio = [b["jobs_per_s"] / a["jobs_per_s"] for a, b in zip(one, two, strict=True)]
    most = [b / a["jobs_per_s"] for a, b in zip(one, beside, strict=True)]
    return {
        "one": middle(one), "two": middle(two), "speed_up": [round(r, 3) for r in ratio],
        "side_by_side_over_one": [round(r, 3) for r in most],
    }  # fmt: skip


ALONE = """
import sys, json
from tests.benchmarks.archive import timed
from pathlib import Path
print(json.dumps(timed(Path(sys.argv[1]), workers=1, page=False)))
"""


def side_by_side(archive: Path) -> float:
    """Jobs a second of two separate runs of one worker each at the same time, added up."""
    begun = [
        subprocess.Popen([sys.executable, "-c", ALONE, str(archive)], stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    return sum(json.loads(process.communicate()[0])["jobs_per_s"] for process in begun)


def cluster(archive: Path) -> dict[str, Any]:
    """The pool and a Dask cluster of this machine in turn, two workers each."""
    from distributed import LocalCluster

    pool, dask = [], []
    for _ in range(REPEATS):
        pool.append(timed(archive, workers=2, page=False))
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=50) as local:
            dask.append(timed(archive, scheduler=local.scheduler_address, page=False))
    ratio = [b["jobs_per_s"] / a["jobs_per_s"] for a, b in zip(pool, dask, strict=True)]
    return {"pool": middle(pool), "dask": middle(dask), "dask_over_pool": [round(r, 3) for r in ratio]}


MEASURED = """
import sys, json, resource, time
from heightnet.archives.screen import screen_archive
begun = time.perf_counter()
done = screen_archive(sys.argv[1], sys.argv[2], workers=2, page=False, parquet=True)
own, workers = (resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
print(json.dumps({"jobs": done.counts["checked"], "own_MB": own, "worker_MB": workers,
                  "whole_s": time.perf_counter() - begun}))
"""


def memory() -> list[dict[str, float]]:
    """Largest resident memory of the process that hands out the jobs and of its largest worker."""
    out = []
    for count in MEMORY_JOBS:
        with tempfile.TemporaryDirectory() as scratch:
            archive = smallest(Path(scratch) / "office", count)
            command = [sys.executable, "-c", MEASURED, str(archive), str(Path(scratch) / "out")]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            out.append({key: round(value, 1) for key, value in json.loads(done.stdout).items()})
            print(out[-1], flush=True)
    return out


def handed_out() -> list[dict[str, float]]:
    """Memory and time of the process that hands out the jobs alone: every job gets the outcome of one that was checked.

    Finding, keeping, records of all jobs together and the index are as they are; only the checks are not made.
    """
    out = []
    for count in HANDED_OUT:
        with tempfile.TemporaryDirectory() as scratch:
            archive = smallest(Path(scratch) / "office", count)
            model = simulated(Path(scratch) / "model", 1)
            code = "from tests.benchmarks.archive import hand_out; hand_out()"
            command = [sys.executable, "-c", code, str(archive), str(model), str(Path(scratch) / "out")]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            out.append({key: round(value, 2) for key, value in json.loads(done.stdout).items()})
            print(out[-1], flush=True)
    return out


def hand_out() -> None:
    """`handed_out` in a process of its own; prints what it took."""
    from dataclasses import replace

    from heightnet.archives import one, run

    archive, model, output = sys.argv[1:]
    order = one.Order(model, output + "-model", page=False)
    outcome = one.check_one(next(iter(find_jobs(Path(model), Path(output)))), None, order)  # type: ignore[arg-type]

    def copies(jobs: list[run.Job], order: one.Order) -> list[one.Outcome]:
        return [replace(outcome, path=f.path, record={**(outcome.record or {}), "path": f.path}) for f, _ in jobs]

    one.check_jobs = copies
    pool = ThreadPoolExecutor(1)
    run.local_workers = lambda count: run.Workers(pool, lambda: 2, (), lambda at_once: pool.shutdown())
    stages: dict[str, float] = {}
    begun = time.process_time()

    def tell(stage: str, done: int, total: int) -> None:
        stages[stage] = time.process_time() - begun

    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    done = screen_archive(archive, output, workers=1, page=False, parquet=True, tell=tell)
    whole = time.process_time() - begun
    found = {
        "jobs": done.counts["checked"], "libraries_MB": base,
        "own_MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "finding_s": stages["finding"], "keeping_s": stages["writing"] - stages["finding"],
        "index_s": whole - stages["writing"],
    }  # fmt: skip
    print(json.dumps(found))


PAGE = """
const done = arguments[0];
const table = document.getElementById("table-jobs"), search = document.querySelector("#jobs input[type=search]");
const timed = (act) => {
  const t = performance.now();
  act();
  document.body.offsetHeight;
  return performance.now() - t;
};
const heads = table.querySelectorAll("thead button");
const number = timed(() => heads[3].click());
const name = timed(() => heads[0].click());
const text = timed(() => { search.value = "job 007"; search.dispatchEvent(new Event("input")); });
const timing = performance.getEntriesByType("navigation")[0];
done([timing.domInteractive, timing.loadEventEnd, number, name, text]);
"""


def page() -> list[dict[str, float]]:
    """The index page of many rows: writing it, opening it, sorting, filtering; medians in headless chromium."""
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service
    from test_archive_page import archive_of, many

    from heightnet.report.archive_page import page_pieces

    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1366,900"):
        options.add_argument(flag)
    out = []
    with tempfile.TemporaryDirectory() as scratch:
        for rows in PAGE_ROWS:
            records, path = list(many(rows)), Path(scratch) / "index.html"
            begun = time.perf_counter()
            with path.open("w", encoding="utf-8") as file:
                file.writelines(page_pieces(archive_of(records), iter(records), [], []))
            written, found = time.perf_counter() - begun, []
            for _ in range(REPEATS):
                driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
                try:
                    driver.get(path.as_uri())
                    driver.set_script_timeout(120)
                    found.append(driver.execute_async_script(PAGE))
                finally:
                    driver.quit()
            names = ("interactive_ms", "loaded_ms", "sorted_by_number_ms", "sorted_by_name_ms", "filtered_ms")
            middles = (round(statistics.median(each), 1) for each in zip(*found, strict=True))
            out.append({"rows": rows, "written_s": round(written, 2), "MB": round(path.stat().st_size / MB, 2)})
            out[-1] |= dict(zip(names, middles, strict=True))
            print(out[-1], flush=True)
    return out


@contextmanager
def archive_of_simulated_jobs() -> Iterator[Path]:
    scratch = Path(tempfile.mkdtemp())
    try:
        yield simulated(scratch / "office", JOBS)
    finally:
        shutil.rmtree(scratch)


def report(found: dict[str, Any]) -> str:
    """The Markdown of what was found."""
    lines = [
        "# Screening an archive",
        "",
        f"Made by `python -m tests.benchmarks.archive` on {found['machine']}, shared with other work; ratios are of "
        'runs made in turn. Jobs are simulated (8 to 12 set-ups), one core a worker. "Jobs a second" leaves the '
        "start of the workers out. Load: the machine's load average just before.",
        "",
    ]
    if "throughput" in found:
        t = found["throughput"]
        lines += [
            "| one worker | processor s a job | jobs a second | reports, kB a job | store, kB | index, kB | load |",
            "| --- " * 7 + "|",
        ]
        for name, label in (("no_page", "results and tables (--no-page)"), ("page", "with pages and figures")):
            r = t[name]
            cells = [
                label,
                f"{r['processor_s_per_job']:.3f}",
                f"{r['jobs_per_s']:.1f}",
                f"{r['report_kB_per_job']:.0f}",
                f"{r['store_kB_per_job']:.1f}",
            ]
            lines.append(
                f"| {' | '.join([*cells, format(r['index_kB_per_job'], '.1f'), format(r['load_before'], '.1f')])} |"
            )
        lines += [f"| nothing new: a second run | | {t['second_run']['jobs_per_s']:.0f} | | | | |", ""]
        lines += [f"{t['jobs']} jobs of {t['job_kB']:.1f} kB each.", ""]
    if "workers" in found:
        w = found["workers"]
        lines += [
            "| two workers against one | |", "| --- | --- |",
            f"| jobs a second, one worker and two | {w['one']['jobs_per_s']:.1f}, {w['two']['jobs_per_s']:.1f} |",
            f"| speed-up, each of {REPEATS} | {', '.join(f'{r:.2f}' for r in w['speed_up'])} |",
            "| two separate runs side by side, what this machine can give | "
            f"{', '.join(f'{r:.2f}' for r in w['side_by_side_over_one'])} |",
            f"| load before | {w['one']['load_before']:.1f}, {w['two']['load_before']:.1f} |", "",
        ]  # fmt: skip
    if "cluster" in found:
        c = found["cluster"]
        lines += [
            "| a Dask cluster of two workers against the pool of two | |", "| --- | --- |",
            f"| jobs a second, pool and Dask | {c['pool']['jobs_per_s']:.1f}, {c['dask']['jobs_per_s']:.1f} |",
            f"| Dask over pool, each of {REPEATS} | {', '.join(f'{r:.2f}' for r in c['dask_over_pool'])} |",
            f"| load before | {c['pool']['load_before']:.1f}, {c['dask']['load_before']:.1f} |", "",
        ]  # fmt: skip
    if "memory" in found:
        lines += [
            "| jobs (the smallest) | memory of the process that hands them out, MB | of the largest worker, MB | s |",
            "| --- | --- | --- | --- |",
        ]
        lines += [
            f"| {m['jobs']:,.0f} | {m['own_MB']:.0f} | {m['worker_MB']:.0f} | {m['whole_s']:.0f} |"
            for m in found["memory"]
        ]
        lines.append("")
    if "handed_out" in found:
        lines += [
            "| jobs handed out, not checked | memory before, MB | at most, MB | finding, s | keeping, s | index, s |",
            "| --- " * 6 + "|",
        ]
        for m in found["handed_out"]:
            cells = [f"{m['jobs']:,.0f}", f"{m['libraries_MB']:.0f}", f"{m['own_MB']:.0f}"]
            cells += [f"{m[key]:.1f}" for key in ("finding_s", "keeping_s", "index_s")]
            lines.append(f"| {' | '.join(cells)} |")
        lines += ["", "Processor seconds of the one process that hands out the jobs and writes the index.", ""]
    if "page" in found:
        lines += [
            "| rows of the index page | written, s | MB | usable, s | by a number, s | by name, s | filtered, s |",
            "| --- " * 7 + "|",
        ]
        for p in found["page"]:
            times = (p["interactive_ms"], p["sorted_by_number_ms"], p["sorted_by_name_ms"], p["filtered_ms"])
            cells = [f"{p['rows']:,}", f"{p['written_s']:.1f}", f"{p['MB']:.1f}", *(f"{ms / 1000:.2f}" for ms in times)]
            lines.append(f"| {' | '.join(cells)} |")
        lines.append("")
    return "\n".join(lines)


def main(parts: list[str]) -> None:
    kept = RESULTS / "archive.json"
    found: dict[str, Any] = json.loads(kept.read_text()) if kept.exists() else {}
    found["machine"] = f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}"
    with archive_of_simulated_jobs() as archive:
        for name, measure in (("throughput", throughput), ("workers", workers), ("cluster", cluster)):
            if not parts or name in parts:
                found[name] = measure(archive)
                print(name, found[name], flush=True)
    for name, alone in (("memory", memory), ("handed_out", handed_out), ("page", page)):
        if not parts or name in parts:
            found[name] = alone()
    kept.write_text(json.dumps(found, indent=1) + "\n")
    (RESULTS / "archive.md").write_text(report(found))
    print(report(found))


if __name__ == "__main__":
    main(sys.argv[1:])

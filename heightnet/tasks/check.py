"""Is this job sound? Read, adjust, test every height; say what is probably wrong and what nothing can prove."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from heightnet.errors import CannotAdjust
from heightnet.gaps import HEIGHTS
from heightnet.job.model import Job
from heightnet.job.settings import check_arguments, with_settings
from heightnet.judge.large import bench_for
from heightnet.judge.names import judged_by
from heightnet.judge.promises import promises
from heightnet.judge.readings import compare_readings, side_with
from heightnet.judge.screening import screen
from heightnet.judge.search import Clock
from heightnet.kinds.registry import KINDS
from heightnet.ledger.thing import ROWS, TABLES
from heightnet.memory import require
from heightnet.network import build_network
from heightnet.result import Result
from heightnet.rows import Record, column
from heightnet.tasks.doubted import read_with_doubt
from heightnet.tasks.facts import JobFacts
from heightnet.tasks.height_facts import HeightFacts
from heightnet.tasks.named import ids_in, pages

Say = Callable[[str], None]
NAMED = 4  # untested heights in a headline


def check(job: Job | str | Path, say: Say | None = None, *, seconds: float | None = None, **settings: Any) -> Result:
    """Check a job.

    Parameters
    ----------
    job : a job, or the path of what `read_job` reads.
    say : called with the name of each stage as it begins.
    seconds : after so many the search for errors stops, wherever it is; the result says so, and what share of the
        probability was looked at.  None: it ends by its budget, the same on every machine.
    settings : settings to replace, dots written as double underscores: ``test__tolerance_mm=3.0``.

    Raises
    ------
    TooLarge : the job would not fit into memory; found before it is read.
    InputErrors : the job could not be read; every problem with its place.
    WrongSettings : a setting, or the seconds, keep no rule.
    CannotAdjust : nothing in the job ties two places together.
    """
    say = say or (lambda stage: None)
    check_arguments(seconds=seconds)
    if isinstance(job, Job):
        recorded = job
    else:
        from heightnet.job.read import read_job

        say("reading")
        recorded = read_job(job)
    if settings:
        recorded = with_settings(recorded, settings)
    return Result(facts_of(judged(recorded, say, seconds), say))


def judged(job: Job, say: Say, seconds: float | None = None, events: bool = True) -> JobFacts:
    """The job adjusted and every hypothesis of a blunder tested; without events, but for what began on the way.

    Raises TooLarge where it would not fit into memory, CannotAdjust where nothing in it ties two places together.
    """
    require(sum(map(len, job.tables.values())), job.name)
    say("building the network")
    net = build_network(job)
    if net.edge_count == 0:
        raise CannotAdjust(
            f"{net.job.name}: nothing to adjust. No tape reading, shot, levelled difference, staff reading or known "
            "height ties two places together."
        )
    say("adjusting")
    bench = bench_for(net, events=events)
    say("testing every hypothesis")
    bench.closing  # noqa: B018  simulated before the clock of the search starts
    judgement = judged_by(bench, clock=None if seconds is None else Clock(bench.budget, seconds))
    judgement.state  # noqa: B018
    say("working out what would have shown")
    return JobFacts(judgement, promises(judgement.bench), bench.fit)


def facts_of(facts: JobFacts, say: Say) -> dict[str, Any]:
    """The content of results.json for a judged job."""
    from heightnet.tasks import gnss_facts, judgement_facts
    from heightnet.tasks.common import common_errors
    from heightnet.tasks.next import next_measurements
    from heightnet.tasks.precision_facts import own_precision
    from heightnet.tasks.proof_facts import counted
    from heightnet.tasks.traverse_facts import traverse

    net = facts.net
    say("writing down what was found")
    heights = HeightFacts(facts)
    checks = compare_readings(net.job, net.readings)
    if checks:
        checks = side_with(checks, net.readings, heights.found(), net.job)
    result = {
        **facts.head(),
        "fit": facts.fit_facts(),
        "pieces": facts.pieces(),
        "undetermined": facts.undetermined(),
        "judgement": judgement_facts.judgement(facts, heights.checks()),
        "findings": judgement_facts.findings(facts),
        "setups": heights.setups(),
        "targets": heights.targets(),
        "proof_kinds": counted(facts),
        "marks": facts.marks(),
        **{TABLES[name]: facts.rows(KINDS[name]) for name in ROWS},
        "separations": gnss_facts.separations(facts),
        "separation_model": gnss_facts.separation_model(facts),
        "known": facts.known(),
        "groups": facts.groups(),
        "loops": facts.loops(),
        "suspects": judgement_facts.suspects(facts),
        "explanations": judgement_facts.explanations(facts),
        "cross_check": judgement_facts.cross_check(facts),
        "screening": screen(net.job, net.readings, checks),
        "reading_checks": checks,
    }
    result["traverse"] = traverse(result["loops"], result["shots"], result["known"])
    result["own_precision"] = own_precision(facts)
    result["next_measurements"] = next_measurements(facts)
    result["common_errors"] = common_errors(facts)
    result["notes"] = facts.notes()
    return {**result, **pages(net.job), **read_with_doubt(net.job, _spoken_of(result))}


def _spoken_of(result: Record) -> list[str] | None:
    """Ids of what the headline names, wrong or untested; None where it speaks of the job as a whole."""
    if not result["findings"] or result["judgement"]["state"] == "unexplained":
        return None
    untested: list[str] = []
    for table in HEIGHTS:
        verdicts = zip(*(column(result[table], name) for name in ("hypothesis", "verdict")), strict=True)
        untested += [id for id, verdict in verdicts if id and verdict == "unproved"]
    return [*ids_in(result["findings"]), *untested[:NAMED]]

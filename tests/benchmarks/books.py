"""``bust`` on simulated level books: ``python -m tests.benchmarks.books [books] [first]``

Each book has 6 to 400 set-ups (even on a logarithmic scale), pegs that can be found again every three to six of them,
and one shape of four: a run between two known marks, one out and back, a loop on one known mark, a net of runs between
known marks and junctions.  Readings have a standard deviation of 0.4 mm at 20 to 45 m, known marks one of 1 mm.  None,
one, two or three busts are put in, each of a kind that is drawn.  A bust counts as seen by the book where its test has
a noncentrality of 6 and more in the sound book: its size times the root of its redundancy, over its standard deviation.

Writes results/books.jsonl, a line a book as they end, and results/books.md.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from heightnet.job.model import Job
from heightnet.judge.judgement import CONTRADICTED
from heightnet.ledger.settings import Settings
from heightnet.network import build_network
from heightnet.tasks.bust import bust

RESULTS = Path(__file__).parent / "results"
SHAPES = ("run", "out and back", "loop", "net")
KINDS = (
    "metre",
    "decimetre",
    "centimetre",
    "digits",
    "exchanged",
    "minus lost",
    "zero dropped",
    "turning point",
    "known mark",
)
SD, KNOWN_SD = 0.0004, 0.001
SEEN = 6.0


class Book:
    """A sound book with its noise, and what is put into it.

    busts : kind, ids that are right for it, the section it lies in, its noncentrality.
    """

    def __init__(self, number: int) -> None:
        self.rng = np.random.default_rng((29, number))
        self.shape = SHAPES[number % 4]
        self.setups = round(float(np.exp(self.rng.uniform(np.log(6), np.log(400)))))
        self.rows: list[dict[str, object]] = []
        self.height = {"K0": 100.0}
        self.known, self.pegs = {"K0": 100.0}, set()
        self.busts: list[dict[str, object]] = []
        getattr(self, f"_{self.shape.replace(' ', '_')}")()
        self.staff = pd.DataFrame(self.rows)

    # shapes

    def _run(self) -> None:
        self._walk("out", "K0", "K1", self.setups)
        self.known["K1"] = self.height["K1"]

    def _out_and_back(self) -> None:
        half = max(3, self.setups // 2)
        points = self._walk("out", "K0", "K1", half)
        self._walk("back", "K1", "K0", half, [p for p in reversed(points) if p in self.pegs or p[0] == "K"])

    def _loop(self) -> None:
        self._walk("loop", "K0", "K0", self.setups)

    def _net(self) -> None:
        nodes = ["K0", "J1", "J2", *(["J3"] if self.setups > 40 else [])]
        ties = [(a, b) for i, a in enumerate(nodes) for b in nodes[i + 1 :]]
        for i, (a, b) in enumerate(ties):
            self._walk(f"r{i}", a, b, max(2, self.setups // len(ties)))
        self.known["J2"] = self.height["J2"]

    def _walk(self, run: str, start: str, end: str, count: int, through: list[str] | None = None) -> list[str]:
        """A run in so many set-ups; through : pegs of an earlier one that it passes."""
        if through:
            each = max(1, count // (len(through) - 1))
            points = [through[0]]
            for peg in through[1:]:
                points += [f"{run} T{len(points) + j}" for j in range(each - 1)] + [peg]
        else:
            points, left = [start], int(self.rng.integers(3, 7))
            for i in range(1, count):
                left -= 1
                points.append(f"{run} {'T' if left else 'P'}{i}")
                left = left or int(self.rng.integers(3, 7))
            points.append(end)
        for point in points:
            self.height.setdefault(point, self.height[points[0]] + float(self.rng.uniform(-3, 3)))
            if f"{run} P" in point:
                self.pegs.add(point)
        for i, (a, b) in enumerate(pairwise(points)):
            line = max(self.height[a], self.height[b]) + float(self.rng.uniform(0.4, 1.4))
            far = float(self.rng.uniform(20, 45))
            for sight, point in (("BS", a), ("FS", b)):
                reading = round(line - self.height[point] + SD * float(self.rng.standard_normal()), 4)
                self.rows.append({"level_setup": f"{run} {i}", "mark": point, "name": point, "run": run, "sight": sight,
                                  "reading": reading, "distance": far})  # fmt: skip
        return points

    # busts

    def put_in(self, count: int) -> None:
        redundancy = self._redundancy()
        for kind in self.rng.choice(KINDS, count).tolist():
            if kind == "known mark":
                mark = str(self.rng.choice(list(self.known)))
                size = float(self.rng.choice([-1, 1]) * self.rng.uniform(0.01, 0.15))
                self.known[mark] += size
                self.busts.append(
                    {"kind": kind, "ids": [f"known:{mark}"], "sds": abs(size) * redundancy["known"].get(mark, 0.0)}
                )
                continue
            i = int(self.rng.integers(len(self.staff)))
            ids = [f"staff:staff.csv:{i + 2}"]
            reading, size = float(self.staff.loc[i, "reading"]), 0.0
            sign = float(self.rng.choice([-1, 1]))
            match kind:
                case "metre" | "decimetre" | "centimetre":
                    size = sign * {"metre": 1.0, "decimetre": 0.1, "centimetre": 0.01}[kind]
                case "digits":
                    text = f"{reading:.4f}"
                    j = int(self.rng.integers(2, 5))
                    size = (
                        float(text[:j] + text[j + 1] + text[j] + text[j + 2 :]) - reading
                        if text[j] != text[j + 1]
                        else 0.1
                    )
                case "exchanged":
                    other = i ^ 1
                    size = float(self.staff.loc[other, "reading"]) - reading
                    ids += [
                        f"staff:staff.csv:{other + 2}",
                        f"exchange:{self.staff.loc[i, 'level_setup']}:{self.staff.loc[i, 'run']}",
                    ]
                    self.staff.loc[other, "reading"] -= size
                case "minus lost":
                    size = -2 * reading
                case "zero dropped":
                    whole, fraction = f"{reading:.4f}".split(".")
                    size = float(f"{whole}.{fraction[1:]}") - reading if fraction[0] == "0" else sign * 0.05
                case "turning point":
                    i = min(max(2 * (i // 2) + 1, 1), len(self.staff) - 1)
                    size = sign * float(self.rng.uniform(0.005, 0.04))
                    ids = [f"staff:staff.csv:{i + 2}", f"staff:staff.csv:{i + 3}"]
            self.staff.loc[i, "reading"] = round(float(self.staff.loc[i, "reading"]) + size, 4)
            times = 2.0 if kind == "exchanged" else 1.0
            self.busts.append(
                {
                    "kind": kind,
                    "ids": ids,
                    "sds": times * abs(size) * redundancy["staff"][i],
                    "section": self._section(i),
                }
            )

    def _section(self, i: int) -> list[str]:
        """The marks that can be found again between which a reading was made."""
        stands = self.staff["run"] == self.staff["run"][i]
        legs = self.staff[stands].reset_index()
        at = int(legs.index[legs["index"] == i][0]) // 2
        ends = list(zip(legs["mark"][::2], legs["mark"][1::2], strict=True))
        found_again = {*self.pegs, *(mark for mark in self.height if mark[0] in "KJ")}
        first = next(a for a, _ in reversed(ends[: at + 1]) if a in found_again)
        return [first, next(b for _, b in ends[at:] if b in found_again)]

    def _redundancy(self) -> dict[str, object]:
        """The root of the redundancy over the standard deviation, of each reading and known mark, 1 / m."""
        from heightnet.judge.large import bench_for

        net = build_network(self.job())
        fit = bench_for(net).fit
        each = np.sqrt(np.maximum(fit.r, 0.0)) / net.sd
        known = net.rows("known")
        marks = net.nodes.name[net.head[known]].tolist()
        return {"staff": each[net.rows("staff")].tolist(), "known": dict(zip(marks, each[known].tolist(), strict=True))}

    def job(self) -> Job:
        marks = [{"mark": m, "height": h, "sd": KNOWN_SD} for m, h in self.known.items()]
        others = {m for m in self.height if m[0] in "KJ" or m in self.pegs} - set(self.known)
        marks += [{"mark": m, "height": np.nan, "sd": np.nan} for m in sorted(others)]
        settings = Settings().with_values(**{"precision.staff_mm": SD * 1000})
        return Job.from_frames("simulated book", settings, marks=pd.DataFrame(marks), staff=self.staff)


def one(number: int) -> dict[str, object]:
    """What is put into one book, and what `bust` makes of it."""
    book = Book(number)
    book.put_in(number // 4 % 4)
    facts = bust(book.job())
    findings = [
        {"named": f["named"], "id": f["id"], "ids": [r["id"] for r in facts["rivals"] if r["finding"] == f["order"]],
         "probability": f["probability"]}
        for f in facts["findings"]
    ]  # fmt: skip
    return {
        "number": number, "shape": book.shape, "setups": book.setups, "state": facts["judgement"]["state"],
        "verdict": facts["verdict"], "findings": findings, "busts": book.busts,
        "first": [facts["plan"]["steps"][0][end] for end in ("from_mark", "to_mark")] if facts["plan"]["steps"] else [],
    }  # fmt: skip


def right(id_: str, busts: list[dict[str, object]]) -> bool:
    return any(id_ in bust["ids"] for bust in busts)  # type: ignore[operator]


def table(books: list[dict[str, object]]) -> list[str]:
    lines = [
        "| shape | busts seen | books | all clear | told | listed | first section | named alone | of these right | "
        "unexplained |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for shape in SHAPES:
        for count in range(4):
            some = [b for b in books if b["shape"] == shape and len(seen(b)) == count and len(b["busts"]) == count]
            if some:
                lines.append(f"| {shape} | {count} | {len(some)} | {_row(some)} |")
    return lines


def seen(book: dict[str, object]) -> list[dict[str, object]]:
    return [b for b in book["busts"] if b["sds"] >= SEEN]  # type: ignore[union-attr]


def _row(some: list[dict[str, object]]) -> str:
    told = [b for b in some if b["state"] in CONTRADICTED]
    busts = [(bust, b) for b in some for bust in seen(b)]
    listed = sum(any(set(bust["ids"]) & set(f["ids"]) for f in b["findings"]) for bust, b in busts)  # type: ignore[arg-type]
    named = [(f["id"], b) for b in some for f in b["findings"] if f["named"]]  # type: ignore[union-attr]
    fine = sum(right(id_, b["busts"]) for id_, b in named)  # type: ignore[arg-type]
    level = [b for b in told if any("section" in bust for bust in b["busts"])]
    first = sum(any(sorted(bust.get("section", ())) == sorted(b["first"]) for bust in b["busts"]) for b in level)
    cells = [
        f"{1 - len(told) / len(some):.3f}", f"{len(told) / len(some):.3f}",
        f"{listed / len(busts):.3f}" if busts else "–", f"{first / len(level):.3f}" if level else "–",
        f"{len(named)}", f"{fine}", f"{sum(b['state'] == 'unexplained' for b in some)}",
    ]  # fmt: skip
    return " | ".join(cells)


def by_kind(books: list[dict[str, object]]) -> list[str]:
    lines = [
        "| kind | put in | seen by the book | listed | in a finding named right |",
        "| --- | --- | --- | --- | --- |",
    ]
    for kind in KINDS:
        every = [(bust, b) for b in books for bust in b["busts"] if bust["kind"] == kind]  # type: ignore[union-attr]
        there = [(bust, b) for bust, b in every if bust["sds"] >= SEEN]
        listed = sum(any(set(bust["ids"]) & set(f["ids"]) for f in b["findings"]) for bust, b in there)
        named = sum(any(f["named"] and f["id"] in bust["ids"] for f in b["findings"]) for bust, b in there)
        if there:
            lines.append(
                f"| {kind} | {len(every)} | {len(there)} | {listed / len(there):.3f} | {named / len(there):.3f} |"
            )
    return lines


def page(books: list[dict[str, object]], commit: str) -> str:
    clean = [b for b in books if not b["busts"]]
    said = sum(b["state"] in CONTRADICTED for b in clean)
    wrong = Counter(
        "named"
        for b in books
        for f in b["findings"]
        if f["named"] and not right(f["id"], b["busts"])  # type: ignore[union-attr,arg-type]
    )["named"]
    return "\n".join([
        "# Busts in simulated level books", "",
        f"Made by `python -m tests.benchmarks.books` at {commit}: {len(books)} books of 6 to 400 set-ups; what "
        "they are is said in that file. A bust is seen by its book from a noncentrality of 6 on; books with one that "
        "is not are left out of the first table. First section: one of the busts lies in the section that is to be "
        "levelled again first.", "",
        f"Sound books: {len(clean)}, of which {said} ({said / max(len(clean), 1):.3f}) are said to contradict "
        f"themselves. Something sound named alone: {wrong} times in {len(books)} books.", "",
        *table(books), "", *by_kind(books), "",
    ])  # fmt: skip


def main(count: int, first: int = 0) -> None:
    kept = RESULTS / "books.jsonl"
    books = [json.loads(line) for line in kept.read_text().splitlines()] if kept.exists() else []
    done = {b["number"] for b in books}
    with kept.open("a") as file:
        for number in range(first, first + count):
            if number not in done:
                books.append(one(number))
                file.write(json.dumps(books[-1]) + "\n")
                file.flush()
                print(f"\r{len(books)} books", end="", file=sys.stderr)
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True).stdout.strip()
    (RESULTS / "books.md").write_text(page(books, commit))


if __name__ == "__main__":
    main(*(int(a) for a in sys.argv[1:] or ("2000",)))

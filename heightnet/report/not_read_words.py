"""Why a job could not be read: each problem in its cell of the file, with what was read, expected and is likely."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from string import ascii_uppercase

from heightnet.errors import InputProblem
from heightnet.job.again import Again
from heightnet.job.mapping import with_answers
from heightnet.report.claims import name as harmless
from heightnet.report.document import (
    WRONG,
    AsInFile,
    Block,
    Bullets,
    Code,
    Document,
    FileCell,
    FileRow,
    Mark,
    Section,
    Wrong,
    Wrongs,
)
from heightnet.report.numbers import count

MOST = 60  # problems that are shown in their cells; the others are counted
ALL_UP_TO = 16  # columns of a table that is shown whole; of a wider one those beside what is marked
BESIDE = 2
LONGEST_CELL = 60  # characters
LONGEST_LINE = 400  # characters
ALIKE = 3  # problems of one kind in which there may be one cause
Rows = list[tuple[int, list[tuple[int, InputProblem]]]]


def not_read_document(
    job: str, problems: Sequence[InputProblem], again: Mapping[str, Again], mapping: Path, command: str, older: str = ""
) -> Document:
    """The page of a job that could not be read.

    again : rows of each file (`heightnet.job.again`).  mapping : where answers are kept.  command : what to run once it
    is mended.  older : a page of an earlier run that lies in the same folder.
    """
    numbered = list(enumerate(problems, start=1))
    files = list(dict.fromkeys(problem.file for problem in problems))
    parts = []
    for place, file in enumerate(files, start=1):
        own = [(number, problem) for number, problem in numbered if problem.file == file]
        blocks = list(_file(own, again.get(file, Again({}))))
        parts.append(Section(harmless(file), blocks, f"file-{place}", harmless(file)))
    return Document(
        title=harmless(job),
        tone=WRONG,
        says="not readable",
        sign="error",
        headline=f"{harmless(job)} could not be read: {count(len(problems), 'problem')}",
        blocks=[Section("What to do first", [*_first(problems, mapping, command)]), *_older(older)],
        below=parts,
        styles=["not-read.css"],
        foot="Nothing was adjusted or judged: this page clears no height. It shows the files as they were then.",
    )


def _first(problems: Sequence[InputProblem], mapping: Path, command: str) -> Iterator[Block]:
    """What to do, the quickest first."""
    asked = [problem for problem in problems if problem.question]
    answers = dict.fromkeys(
        (one.question.part, one.question.key, one.question.default)
        for one in asked
        if one.question and one.question.default
    )
    steps = []
    if answers:
        said, it = ("line", "it") if len(answers) == 1 else ("lines", "them")
        where = harmless(str(mapping))
        steps.append(f"Is the {said} below right? Then write {it} into {where}; if not, write there what is.")
    elif asked:
        steps.append(
            f"Answer what the files leave open in {harmless(str(mapping))}; each problem says the line to write."
        )
    if len(asked) < len(problems):
        kinds = Counter((p.file, p.column, p.expected) for p in problems if not p.question and p.row is not None)
        (file, column, _), most = next(iter(kinds.most_common(1)), (("", "", ""), 0))
        alike = f" {most} are of one kind, in {column or 'rows'} of {file}: begin there, they may have one cause."
        mend = "Mend in the file what is marked below, where the field book says so, and save it."
        steps.append(mend + (harmless(alike) if most >= ALIKE else ""))
    steps.append(f"Then run it again: {harmless(command)}.")
    yield Bullets(steps, numbered=True)
    if answers:
        yield Code(with_answers("", answers).rstrip("\n"))


def _older(page: str) -> list[Block]:
    if not page:
        return []
    return [f"{page} in this folder is of an earlier run: it says nothing of the files as they are now."]


# ---- one file ----


def _file(numbered: Sequence[tuple[int, InputProblem]], again: Again) -> Iterator[Block]:
    """What is wrong with the file as a whole, then its rows."""
    placed = [(n, p) for n, p in numbered if p.row in again.rows]
    shown, rest = placed[:MOST], placed[MOST:]
    if others := [(n, p) for n, p in numbered if p.row not in again.rows]:
        yield Wrongs([_wrong(n, p) for n, p in others[:MOST]])
    by_row: dict[int, list[tuple[int, InputProblem]]] = {}
    for number, problem in shown:
        by_row.setdefault(problem.row or 0, []).append((number, problem))
    near = {row + d for row in by_row for d in (-2, -1, 0, 1, 2)}
    below = max(again.heads, default=0)  # titles above the headings are not shown
    rows = sorted(row for row in again.rows if row in by_row or (row in near and row > below))
    if rows:
        yield _table(rows, by_row, again, "line" if shown[0][1].counts == "line" else "row")
    if left := [*rest, *others[MOST:]]:
        kinds = Counter(problem.column or "whole rows" for _, problem in left)
        told = ", ".join(f"{column} {number:,}" for column, number in kinds.most_common(12))
        yield harmless(f"And {count(len(left), 'more problem')} of this file, all on the terminal: {told}.")


def _table(
    rows: Sequence[int], by_row: Mapping[int, list[tuple[int, InputProblem]]], again: Again, counts: str
) -> AsInFile:
    cells = {row: _cells(row, by_row.get(row, []), again) for row in {*rows, *again.heads}}
    lines = all(row in again.undivided for row in cells)
    chosen = [] if lines else _columns(cells, again)
    letters = [("" if i < 0 else _letter(i)) for i in chosen]
    made, before = [], 0
    for row in rows:
        if row not in again.heads:
            made.append(_row(row, cells[row], chosen, by_row.get(row, []), again, bool(before) and row > before + 1))
            before = row
    heads = [_row(row, cells[row], chosen, by_row.get(row, []), again, False) for row in again.heads]
    title = f"As it stands in the file, {counts}s around what is marked"
    return AsInFile(title, counts, letters, heads, made)


def _row(
    row: int, cells: Sequence[FileCell], chosen: Sequence[int], wrong: Sequence[tuple[int, InputProblem]],
    again: Again, between: bool,
) -> FileRow:  # fmt: skip
    whole = row in again.undivided
    marked = {number for cell in cells for mark in cell.marks for number in mark.wrong}
    told = [_wrong(number, problem) for number, problem in wrong]
    itself = [number for number, _ in wrong if number not in marked]
    if not whole:
        there = [cells[i] if 0 <= i < len(cells) else FileCell("") for i in chosen]
        left = again.lengths.get(row, 0) - (max(chosen, default=-1) + 1)
        if left > 0 and len(again.rows[row]) > max(chosen, default=-1) + 1:
            there[-1] = there[-1]._replace(text=f"{there[-1].text} … and {left:,} more cells")
        cells = there
    return FileRow(row, cells, told, itself, whole, between)


def _cells(row: int, wrong: Sequence[tuple[int, InputProblem]], again: Again) -> list[FileCell]:
    """The cells of a row, those marked in which a problem is."""
    texts = again.rows[row]
    if row in again.undivided:
        return [_line(texts[0], wrong)]
    marks: dict[int, list[int]] = {}
    for number, problem in wrong:
        for place in _where(problem, texts, again):
            marks.setdefault(place, []).append(number)
    width = max([len(texts), *(place + 1 for place in marks)])
    return [_cell(texts[i] if i < len(texts) else "", marks.get(i, ())) for i in range(width)]


def _cell(text: str, wrong: Sequence[int]) -> FileCell:
    shown = _short(text)
    return FileCell(shown, [Mark(0, len(shown), wrong)] if wrong else ())


def _where(problem: InputProblem, texts: Sequence[str], again: Again) -> Sequence[int]:
    """The cells that a problem is about: those of its column, or the only one that holds what was read."""
    if places := again.places.get(problem.column):
        return places
    if re.fullmatch("[A-Z]{1,2}", problem.column) and problem.column not in again.places:  # of a sheet, no heading
        return [_number(problem.column)]
    same = [i for i, text in enumerate(texts) if problem.read and text.strip() == problem.read.strip()]
    return same if len(same) == 1 else []


def _line(text: str, wrong: Sequence[tuple[int, InputProblem]]) -> FileCell:
    """A line of a file, what its problems are about marked, and of a long one only what is near."""
    spans: dict[tuple[int, int], list[int]] = {}
    for number, problem in wrong:
        spans.setdefault(_span(text, problem), []).append(number)
    first, last = 0, len(text)
    if last > LONGEST_LINE:
        at = min(spans, default=(0, 0))[0]
        first = max(0, at - LONGEST_LINE // 4)
        last = min(last, first + LONGEST_LINE)
    before, after = "… " if first else "", " …" if last < len(text) else ""
    marks: list[Mark] = []
    for (start, end), numbers in sorted(spans.items()):
        begins, ends = (min(place, last) - first + len(before) for place in (start, end))
        if start < last and (not marks or begins >= marks[-1].end):  # what two are about is marked for the first
            marks.append(Mark(begins, ends, numbers))
    return FileCell(f"{before}{text[first:last]}{after}", marks)


def _span(text: str, problem: InputProblem) -> tuple[int, int]:
    """Where in a line a problem is: the attribute, or what was read, or else all of it."""
    attribute = re.split("[ .]", problem.column)[-1]
    patterns = [rf"\b{re.escape(attribute)}\s*=\s*(?:\"[^\"]*\"|'[^']*'|\S+)"] if attribute else []
    patterns += [re.escape(problem.read)] if problem.read else []
    patterns += [rf"<{re.escape(problem.column.partition(' ')[0])}\b[^>]*"] if problem.column else []
    for pattern in patterns:
        if found := re.search(pattern, text):
            return found.span()
    return len(text) - len(text.lstrip()), len(text.rstrip())


def _columns(cells: Mapping[int, Sequence[FileCell]], again: Again) -> list[int]:
    """Which columns are shown, -1 where some are left out."""
    rows = {row: some for row, some in cells.items() if row not in again.undivided}
    headed = max((len(cells[row]) for row in again.heads), default=0)
    marked = {i for some in rows.values() for i, cell in enumerate(some) if cell.marks}
    width = max([headed, *(i + 1 for i in marked)]) or max(map(len, rows.values()), default=0)
    width = max(width, min(max(map(len, rows.values()), default=0), ALL_UP_TO))
    if width <= ALL_UP_TO:
        return list(range(width))
    near = {j for i in marked for j in range(i - BESIDE, i + BESIDE + 1) if 0 <= j < width}
    shown = sorted({0, 1, *near} if marked else range(ALL_UP_TO))
    out: list[int] = []
    for i in shown:
        out += [-1, i] if out and i > out[-1] + 1 else [i]
    return out if out[-1] == width - 1 else [*out, -1]


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_CELL else f"{text[:LONGEST_CELL]}… ({len(text):,} characters)"


def _letter(i: int) -> str:
    return ascii_uppercase[i] if i < 26 else f"{_letter(i // 26 - 1)}{ascii_uppercase[i % 26]}"


def _number(letters: str) -> int:
    n = 0
    for letter in letters:
        n = n * 26 + ascii_uppercase.index(letter) + 1
    return n - 1


def _wrong(number: int, problem: InputProblem) -> Wrong:
    place = (
        f"{problem.counts} {problem.row}" if problem.row is not None else "the whole file" if not problem.column else ""
    )
    column = f"{'column ' if problem.counts == 'row' else ''}{problem.column}" if problem.column else ""
    asked = problem.question
    line = with_answers("", [(asked.part, asked.key, asked.default)]).rstrip("\n") if asked and asked.default else ""
    read = problem.read if len(problem.read) <= 3 * LONGEST_CELL else _short(problem.read)
    return Wrong(number, ", ".join(filter(None, (place, column))), read, problem.expected, problem.cause, line)

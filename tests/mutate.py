"""Jobs spoilt at random: in their bytes, cells, rows, columns, files and settings.

The starting jobs are the invented demos and two small invented ones; `mutated` spoils one in a few places.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

DATA = Path(__file__).resolve().parents[1] / "data"
Files = dict[str, bytes]

FLAT: Files = {
    "marks.csv": b"Point,RL\nA,100.000\nB,101.250\n",
    "shots.csv": (
        b"setup,at,HI,mark,HT,placement,SD,ZA,face\n"
        b"S1,A,1.536,B,1.600,,50.990,88.3610,L\nS1,A,1.536,B,1.600,,50.990,271.2350,R\n"
        b"S2,C,1.480,B,1.600,,70.120,89.1005,\nS2,,,A,1.600,again,61.005,90.0100,\n"
    ),
    "job.toml": b'title = "Flat (invented)"\n[units]\nangle = "packed"\n[precision]\ntape_mm = 2\n',
}
BOOK: Files = {
    "marks.csv": b"mark;height;sd_mm\nBM1;100,000;0\n",
    "staff.csv": (
        b"Point;BS;IS;FS;HI;RL;distance\nBM1;1,234;;;101,234;100,000;30\nTP1;1,100;;0,900;;;30\nBM2;;;1,434;;;30\n"
    ),
    "levels.csv": b"from;to;rise;length;run\nBM1;BM2;0,002;90;x\n",
}

CELLS = [
    b"", b" ", b"nan", b"inf", b"-inf", b"1e999", b"1e308", b"-1e308", b"1e-320", b"0", b"-0", b"-1.5", b"1,5", b"1_0",
    b"0-00-00", b"180-00-00", b"360-00-00", b"400", b"-1-00-00", b"89-60-00", b"89.6000", b"1-2-3", b"R", b"L", b"x",
    b"=1+1", b"'=1+1", b"-", b"+", b"@", b"#REF!", b"5' 2 7/16", b"5-2 7/16", b"ftin", b"slant", b"part", b"yes",
    b"\xff", b"\xe9", b"\x00", b"\x1b[2J", b"\xef\xbb\xbf", b"\xd9\xa1", b"\xc2\xbd", b"9" * 400, b"x" * 300,
    b"x" * 20_000, b'"', b'""', b"\r", b"\n", b"\r\n", b"a\nb", b"NA", b"null", b"None", b"A1", b"B", b"S1", b"T1",
    b"1.5 m", b"1.5m", b"0x10", b"True", b"\xe2\x88\x925", b"\xf0\x9f\x98\x80", b"1e5", b"0.0001", b"99999999999",
]  # fmt: skip
VALUES = [
    b"nan", b"inf", b"-1", b"0", b"1e400", b"true", b"''", b"'m'", b"'ftUS'", b"'gon'", b"[]", b"{}", b"[[[[",
    b"0x" + b"f" * 999, b"1979-05-27", b"{a={b=1}}", b"'''", b"'deg'", b"1.0", b"0.9999",
]  # fmt: skip
SEPARATORS = (b",", b";", b"\t")


def starting_jobs() -> list[Files]:
    """Files of every demo and of the two jobs above."""
    demos = [{p.name: p.read_bytes() for p in sorted(d.iterdir()) if p.is_file()} for d in sorted(DATA.iterdir())]
    return [d for d in demos if d] + [FLAT, BOOK]


def mutated(files: Files, rng: Random) -> Files:
    """The files with one to four things spoilt."""
    files = dict(files)
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        names = [n for n in sorted(files) if n.endswith((".csv", ".toml"))]
        if not names:
            return files
        name = rng.choice(names)
        if rng.random() < 0.1:
            _several_files(files, name, rng)
        elif name.endswith(".toml"):
            files[name] = rng.choice((_setting, _setting, _bytes))(files[name], rng)
        else:
            change = rng.choice((_cell, _cell, _cell, _cell, _row, _column, _heading, _bytes, _whole))
            files[name] = change(files[name], rng)
    return files


def _table(data: bytes) -> tuple[list[list[bytes]], bytes]:
    separator = max(SEPARATORS, key=data.count)
    return [line.split(separator) for line in data.split(b"\n")], separator


def _joined(rows: list[list[bytes]], separator: bytes) -> bytes:
    return b"\n".join(separator.join(row) for row in rows)


def _cell(data: bytes, rng: Random) -> bytes:
    rows, separator = _table(data)
    row = rng.choice(rows)
    other = rng.choice(rng.choice(rows))
    row[rng.randrange(len(row))] = rng.choice((*CELLS, other, other, other))
    return _joined(rows, separator)


def _row(data: bytes, rng: Random) -> bytes:
    rows, separator = _table(data)
    i, j = rng.randrange(len(rows)), rng.randrange(len(rows))
    what = rng.randrange(4)
    if what == 0:
        rows.insert(j, list(rows[i]))
    elif what == 1:
        del rows[i]
    elif what == 2:
        rows[i], rows[j] = rows[j], rows[i]
    else:
        rows[i] = rows[i] + [rng.choice(CELLS)] if rng.random() < 0.5 else rows[i][:-1]
    return _joined(rows, separator)


def _column(data: bytes, rng: Random) -> bytes:
    rows, separator = _table(data)
    i = rng.randrange(len(rows[0]) or 1)
    what = rng.randrange(3)
    for row in rows:
        if i < len(row):
            if what == 0:
                del row[i]
            elif what == 1:
                row.append(row[i])
            else:
                row[i] = rng.choice(CELLS) if rng.random() < 0.2 else b""
    return _joined(rows, separator)


def _heading(data: bytes, rng: Random) -> bytes:
    rows, separator = _table(data)
    i = rng.randrange(len(rows[0]))
    heading = rows[0][i]
    k = rng.randrange(len(heading) + 1)
    rows[0][i] = rng.choice(
        (heading[:k] + heading[k + 1 :], heading + b" (ft)", b"note", b"", b"HI", b"sd", *CELLS[:9])
    )
    return _joined(rows, separator)


def _bytes(data: bytes, rng: Random) -> bytes:
    out = bytearray(data)
    i = rng.randrange(len(out) + 1)
    j = min(len(out), i + rng.choice((1, 2, 5, 50)))
    what = rng.randrange(4)
    if what == 0:
        out[i:j] = b""
    elif what == 1:
        out[i:i] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 3, 20))))
    elif what == 2:
        out[i:i] = out[i:j] * rng.choice((1, 2, 200))
    else:
        del out[i:]
    return bytes(out)


def _whole(data: bytes, rng: Random) -> bytes:
    what = rng.randrange(7)
    if what == 0:
        return data.replace(b"\n", b"\r\n")
    if what == 1:
        return b"\xef\xbb\xbf" + data
    if what == 2:
        return data.replace(b",", rng.choice(SEPARATORS))
    if what == 3:
        return data.decode("utf-8", "replace").encode("utf-16")
    if what == 4:
        return data.replace(b".", b",")
    if what == 5:
        return data.replace(b"\n", b"\r")
    return b""


def _setting(data: bytes, rng: Random) -> bytes:
    lines = data.split(b"\n")
    i = rng.randrange(len(lines))
    key = lines[i].partition(b"=")[0]
    what = rng.randrange(4)
    if what == 0:
        lines[i] = key + b"= " + rng.choice(VALUES)
    elif what == 1:
        lines[i] = key[: rng.randrange(len(key) + 1)] + b"= 1"
    elif what == 2:
        lines.insert(i, lines[i])
    else:
        lines[i] = rng.choice((b"[units]", b"[x]", b"[precision", b"", b"[[units]]"))
    return b"\n".join(lines)


def _several_files(files: Files, name: str, rng: Random) -> None:
    other = rng.choice(sorted(files))
    what = rng.randrange(4)
    if what == 0:
        del files[name]
    elif what == 1:
        files[name], files[other] = files[other], files[name]
    elif what == 2:
        files[rng.choice(("shot.csv", "extra.csv", "Marks.CSV", "notes.csv", ".csv", "job.TOML"))] = files[name]
    else:
        files[name] = files[name] + files[other]

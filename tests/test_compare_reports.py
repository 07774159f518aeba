"""The comparison of reports: it passes over last digits, and sees and names whatever else is altered."""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

import heightnet
from tests.compare_reports import differences

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data" / "quarry-traverse"

SMALL = {
    "results.json": '{"state":{"said":true,"k":3.446551},"marks":[{"mark":"P1","checks":2,"height_m":12.5},'
    '{"mark":"P2","checks":0,"height_m":null}],"empty":[],"none":{}}',
    "marks.csv": "mark,verdict,height_ft,checks\r\nP1,proved,41.01,2\r\nP2,unproved,,0\r\n",
    "summary.txt": "Is a height wrong?\n   S4 is wrong: 245 ± 2 mm\n   too low (97 %), row 14.\n",
    "report.html": '<html><body class="wrong"><h1>S4: 245.3 mm too low</h1><h2>Why?</h2><p>2 of 8 set-ups, −0.5 mm.</p>'
    "<table><caption>Marks</caption><tr><th>Mark</th><th>Height</th></tr><tr><th>P1</th><td>12.50</td></tr></table>"
    '<svg viewBox="0 0 690 329.3"><path d="M44 249.3L128.5 219.5"/></svg>'
    '<script type="application/json" id="results">{"w":-1.59}</script></body></html>',
    "figures/plan.svg": '<svg><path d="M 44 249.3 "/><text style="font: 10px Arial" x="54" y="94.1">MB1</text></svg>',
}
SAME = [  # file, what stands there, what shows the same
    ("results.json", "3.446551", "3.446552"),
    ("results.json", "12.5}", "12.50}"),
    ("marks.csv", "41.01", "41.02"),
    ("summary.txt", "245 ± 2 mm", "246 ± 2 mm"),
    ("summary.txt", "wrong: 245 ± 2 mm\n   too", "wrong: 245 ± 2\n   mm too"),
    ("summary.txt", "97 %", "96 %"),
    ("report.html", "245.3 mm", "245.4 mm"),
    ("report.html", "−0.5 mm", "−0.4 mm"),
    ("report.html", "M44 249.3", "M44.1 249.2"),
    ("report.html", "-1.59", "-1.58"),
    ("figures/plan.svg", "font: 10px Arial", "font-size: 10px"),
]
OTHER = [  # file, what stands there, what shows something else, and what must be said of it
    ("results.json", "3.446551", "3.446553", "state, k: “3.446551” is kept, “3.446553” now"),
    ("results.json", "true", "false", "state, said: “true” is kept, “false” now"),
    ("results.json", '"checks":2', '"checks":3', "marks “P1”, checks: “2” is kept, “3” now"),
    ("results.json", "12.5", "null", "marks “P1”, height_m: “12.5” is kept, “null” now"),
    ("results.json", '"mark":"P2"', '"mark":"P3"', "“P2” is kept"),
    ("results.json", '"checks":0,', "", "marks “P2”, checks: “0” is kept and gone now"),
    ("results.json", '"empty":[]', '"empty":[1]', "empty 1: “1” is new"),
    ("marks.csv", "41.01", "41.03", "row “P1”, height_ft: “41.01” is kept, “41.03” now"),
    ("marks.csv", "proved", "weak", "row “P1”, verdict: “proved” is kept, “weak” now"),
    ("marks.csv", "height_ft", "height_m", "heading"),
    ("marks.csv", "P2,unproved,,0\r\n", "", "“P2” is kept and gone now"),
    ("summary.txt", "245 ±", "247 ±", "“Is a height wrong? S4 is wrong: 247 ± 2 mm"),
    ("summary.txt", "245 ±", "245.0 ±", "245.0"),
    ("summary.txt", "too low", "too high", "too high"),
    ("summary.txt", "row 14", "row 15", "row 15"),
    ("summary.txt", "S4", "S5", "S5 is wrong"),
    ("report.html", "2 of 8", "2 of 9", "under “Why?”: “2 of 8 set-ups"),
    ("report.html", "−0.5", "0.5", "under “Why?”"),
    ("report.html", "12.50", "12.53", "in row “P1”, under “Marks”: “12.50” is kept, “12.53” now"),
    ("report.html", "<td>12.50</td>", "", "“12.50” is kept and gone now"),
    ("report.html", 'class="wrong"', 'class="sound"', "class of a body"),
    ("report.html", "128.5 219.5", "128.5 221.5", "d of a path"),
    ("report.html", "-1.59", "1.59", "embedded, w: “-1.59” is kept, “1.59” now"),
    ("figures/plan.svg", "MB1", "MB2", "“MB1” is kept, “MB2” now"),
    ("figures/plan.svg", 'x="54"', 'x="64"', "x of a text"),
]


def write(folder: Path, files: dict[str, str]) -> Path:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


def said_of(tmp_path: Path, name: str, old: str, new: str) -> list[str]:
    """The differences where one thing in the small report is another."""
    assert old in SMALL[name]
    kept = write(tmp_path / "kept", SMALL)
    return differences(kept, write(tmp_path / "now", SMALL | {name: SMALL[name].replace(old, new, 1)}))


@pytest.mark.parametrize(("name", "old", "new"), SAME)
def test_last_digits_and_line_breaks_are_passed_over(tmp_path, name, old, new):
    assert said_of(tmp_path, name, old, new) == []


@pytest.mark.parametrize(("name", "old", "new", "said"), OTHER)
def test_what_is_altered_is_named(tmp_path, name, old, new, said):
    found = said_of(tmp_path, name, old, new)
    assert found
    assert all(one.startswith(f"{name}: ") for one in found)
    assert any(said in one for one in found), found


def test_files_that_are_missing_or_new_are_named(tmp_path):
    kept = write(tmp_path / "kept", SMALL)
    now = write(tmp_path / "now", {name: text for name, text in SMALL.items() if name != "marks.csv"} | {"new.csv": ""})
    assert differences(kept, now) == ["marks.csv: kept, but not made now", "new.csv: made now, but not kept"]


@pytest.fixture(scope="module")
def kept(tmp_path_factory) -> Path:
    """A report of a demo as it is now."""
    folder = tmp_path_factory.mktemp("kept")
    result = heightnet.check(DEMO)
    result.write(folder)
    (folder / "summary.txt").write_text(result.summary(), encoding="utf-8")
    return folder


NAMES = ("results.json", "setups.csv", "targets.csv", "marks.csv", "summary.txt", "report.html", "figures/plan.svg")


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("units", [1, 3])
def test_any_number_of_a_report_may_differ_by_one_unit_and_not_by_three(kept, tmp_path, name, units):
    text = (kept / name).read_text(encoding="utf-8")
    end = text.index("<script>") if "<script>" in text else len(text)
    places = list(re.finditer(r"(?<![\w.:/-])\d+\.\d+(?![\w./-])", text[:end]))
    places = [found for found in places if "<main" not in text[found.end() :]]  # no style sheet
    assert len(places) >= 3
    for found in random.Random(7).sample(places, min(8, len(places))):
        moved = Decimal(found[0]) + units * Decimal(1).scaleb(Decimal(found[0]).as_tuple().exponent)
        now = tmp_path / f"{found.start()}"
        shutil.copytree(kept, now)
        (now / name).write_text(f"{text[: found.start()]}{moved}{text[found.end() :]}", encoding="utf-8", newline="")
        assert bool(differences(kept, now)) == (units > 1), (found[0], text[found.start() - 60 : found.end() + 20])


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_any_letter_of_a_report_that_is_another_is_seen(kept, tmp_path, name):
    text = (kept / name).read_bytes().decode()
    begin = text.index("<main") if "<main" in text else 0
    shown = re.sub(r"style=\"[^\"]*\"|<[?!][^>]*>", lambda found: " " * len(found[0]), text)  # how a picture is drawn
    places = [found.start() for found in re.finditer(r"(?<=[ >\",])[a-z](?=[a-z]{2,})", shown) if found.start() > begin]
    for place in random.Random(8).sample(places, 8):
        now = tmp_path / f"{place}"
        shutil.copytree(kept, now)
        (now / name).write_bytes(f"{text[:place]}{'q' if text[place] != 'q' else 'z'}{text[place + 1 :]}".encode())
        assert differences(kept, now), text[place - 60 : place + 20]


@pytest.mark.slow
@pytest.mark.parametrize("kernel", ["Prescott", "Haswell"])
def test_another_processor_shows_the_same(tmp_path, kernel):
    """OpenBLAS with the code of older processors, and numpy without what newer ones have beyond it."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    other = environment | {"OPENBLAS_CORETYPE": kernel, "NPY_DISABLE_CPU_FEATURES": "X86_V4 AVX512F AVX512_SKX"}
    script = (
        "import sys; from pathlib import Path; import numpy as np; from tests.make_reports import make\n"
        "make(Path(sys.argv[1])); rng = np.random.default_rng(1); a = rng.normal(size=(60, 60))\n"
        "print(np.linalg.inv(a).tobytes().hex())"
    )
    said = []
    for name, variables in (("this", environment), ("other", other)):
        call = [sys.executable, "-W", "ignore", "-c", script, str(tmp_path / name)]
        said.append(subprocess.run(call, env=variables, cwd=ROOT, capture_output=True, text=True, check=True).stdout)
    if said[0] == said[1]:
        pytest.skip("this machine computes alike either way")
    assert differences(tmp_path / "this", tmp_path / "other") == []

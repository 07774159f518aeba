"""One staff reading, from its cell to the sentence that accuses it: each room is entered once, in order."""

import json
import shutil
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

import heightnet
from heightnet.cli import main
from heightnet.network import build_network
from tests.test_house import ROAD, ROOT

PACKAGE = str(Path(heightnet.__file__).parent)
DOORS = (
    ("job", "read_job"), ("network", "build_network"), ("reduce", "reduce_sights"), ("reduce", "reduce_tape"),
    ("judge", "bench_for"), ("judge", "promises"), ("tasks", "facts_of"), ("report", "as_written"),
    ("report", "check_document"), ("report", "page"),
)  # fmt: skip
HANDED = {
    ("tasks", "commands", "say"), ("judge", "tasks", "pull"), ("judge", "tasks", "stays"),
    ("judge", "tasks", "_effect_on_marks"),
}  # fmt: skip
"""What a room calls of one above because it was handed it: progress, and what hangs on a place that a blunder moves."""
BESIDE = {"kinds", "ledger"}  # what the others are written with; a kind fills the builders it is handed
READING = 14  # row of the staff book: one of the six that one decimetre lies in


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """Doors in the order in which they were entered, calls between rooms, and the folder of the job."""
    folder = tmp_path_factory.mktemp("one") / "mill"
    shutil.copytree(ROOT / "data" / "mill-levels", folder)
    doors, calls = [], Counter()

    def room(frame):
        name = frame.f_code.co_filename
        return name[len(PACKAGE) + 1 :].replace("\\", "/").split("/")[0] if name.startswith(PACKAGE) else None

    def seen(frame, event, _):
        if event != "call" or (here := room(frame)) is None:
            return
        name, caller = frame.f_code.co_name, frame.f_back
        if (here, name) in DOORS:
            doors.append((here, name))
        while caller is not None and room(caller) is None:
            caller = caller.f_back
        if caller is not None and not name.startswith("<"):
            calls[room(caller), here, name] += 1

    argv, sys.argv = sys.argv, ["heightnet", "check", str(folder), "--to", str(folder / "out")]
    before = sys.getprofile()
    sys.setprofile(seen)
    try:
        with pytest.raises(SystemExit) as end:
            main()
    finally:
        sys.setprofile(before)
        sys.argv = argv
    assert end.value.code == 1
    return doors, calls, folder


def test_every_door_is_opened_once_in_the_order_of_the_road(walked):
    assert walked[0] == list(DOORS)


def test_no_room_calls_one_above_it(walked):
    up = {
        (caller, here, name)
        for caller, here, name in walked[1]
        if {caller, here} <= set(ROAD) - BESIDE and ROAD.index(caller) < ROAD.index(here)
    }
    assert up == HANDED


def test_the_reading_is_the_same_thing_in_every_room(walked, capsys):
    folder = walked[2]
    cell = (folder / "staff.csv").read_text(encoding="utf-8").splitlines()[READING - 1]
    job = heightnet.read_job(folder)
    at = job.staff["row"].tolist().index(READING)
    assert cell.split(",")[2] == f"{job.staff['reading'][at]:.4f}"
    net = build_network(job)
    row = net.rows("staff").start + at
    assert net.source[row] == at and net.rise[row] == pytest.approx(job.staff["reading"][at], abs=0.001)
    result = heightnet.check(job)
    id = f"staff:staff.csv:{READING}"
    (finding,) = result.facts["findings"]
    assert id in [member["id"] for member in finding["members"]]
    written = json.loads((folder / "out" / "results.json").read_text(encoding="utf-8"))
    (told,) = [r for r in written["staff"] if r["id"] == id]
    assert told["reading_m"] == pytest.approx(job.staff["reading"][at]) and told["verdict"] == "either"
    assert np.sign(told["error_mm"]) == np.sign(next(m for m in finding["members"] if m["id"] == id)["error_mm"])
    assert "(rows 12 to 17 of staff.csv)" in result.summary()

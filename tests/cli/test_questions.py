"""At a terminal a person is asked what a heading is that may be needed; elsewhere the line to write is said."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time

import pytest

from heightnet.job.read import read_job

MARKS = "mark,height\nA,100\nB,101.2\n"
SHOTS = "at,H7,mark,target_height,slope_distance,zenith_angle,Q9\nA,1.543,B,1.6,50.01,88.8,x\n"


@pytest.fixture
def job(tmp_path):
    home = tmp_path / "job"
    home.mkdir()
    (home / "marks.csv").write_text(MARKS)
    (home / "shots.csv").write_text(SHOTS)
    (home / "job.toml").write_text('[units]\nangle = "deg"\n')
    return home


def at_a_terminal(arguments, answers, cwd, prompt=b"Is it?"):
    """What the command says where its input and its errors are a terminal, and its exit status."""
    main, other = pty.openpty()
    call = [sys.executable, "-m", "heightnet", *arguments]
    running = subprocess.Popen(call, stdin=other, stdout=subprocess.PIPE, stderr=other, cwd=cwd, close_fds=True)
    os.close(other)
    said, left = b"", list(answers)
    until = time.monotonic() + 60
    while time.monotonic() < until:
        try:
            more = os.read(main, 4096)
        except OSError:  # the terminal is gone with the command
            break
        if not more:
            break
        said += more
        if left and said.rstrip().endswith(b":") and prompt in said[-200:]:
            os.write(main, left.pop(0) + b"\n")
    out, _ = running.communicate(timeout=60)
    os.close(main)
    return running.returncode, said.decode() + out.decode()


@pytest.mark.parametrize(("answer", "line"), [(b"", '"H7" = "instrument_height"'), (b"-", '"H7" = ""')])
def test_the_answer_is_kept_and_not_asked_again(job, answer, line):
    status, said = at_a_terminal(["show", str(job)], [answer], job.parent)
    assert status == 0, said
    assert "the heading 'H7' may be instrument_height" in said and said.count("Is it?") == 1
    kept = (job / "columns.toml").read_text()
    assert line in kept and "who = " in kept and "when = " in kept
    status, again = at_a_terminal(["show", str(job)], [], job.parent)
    assert status == 0 and "Is it?" not in again


def test_without_a_terminal_the_line_is_said(job):
    done = subprocess.run(
        [sys.executable, "-m", "heightnet", "check", str(job)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 2
    assert 'under [shots] of columns.toml: "H7" = "instrument_height"' in " ".join(done.stderr.split())
    assert not (job / "columns.toml").exists()


def test_an_offices_own_mapping(job, tmp_path):
    own = tmp_path / "office.toml"
    own.write_text('[shots]\n"H7" = "instrument_height"\n')
    call = [sys.executable, "-m", "heightnet", "show", str(job), "--columns", str(own)]
    done = subprocess.run(call, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and "1.543" in done.stdout
    assert not (job / "columns.toml").exists()


def test_import_asks_what_a_file_leaves_open_and_the_next_day_is_silent(tmp_path):
    """A book with blanks below the first row of a set-up, angles of no unit and a total; all proposals are accepted."""
    book = "Stn\tH.I.\tTo\tTgt Ht\tSlope\tZenith\n" + "".join(
        f"{row}\n" for row in (
            "A\t1.543\tB\t1.600\t50.010\t88.8012",
            "\t\tC\t1.600\t61.250\t89.7151", "B\t1.487\tC\t1.600\t44.105\t90.6702",
            "Total\t\t\t\t155.365\t",
        )
    )  # fmt: skip
    (tmp_path / "monday.txt").write_text(book)
    (tmp_path / "tuesday.txt").write_text(book.replace("50.010", "50.011"))
    status, said = at_a_terminal(["import", "monday.txt", "one"], [b""] * 5, tmp_path, prompt=b"]:")
    assert status == 0, said
    assert "how" in said.lower() and "Kept in columns.toml" in " ".join(said.split())
    assert "in the file" in said and "read as" in said
    assert {"columns.toml", "one", "monday.txt", "tuesday.txt"} == {path.name for path in tmp_path.iterdir()}
    status, said = at_a_terminal(["import", "tuesday.txt", "two"], [], tmp_path)
    assert status == 0 and "Enter for yes" not in said and "headings read as columns.toml (" in " ".join(said.split())
    job = read_job(tmp_path / "two")
    assert job.shots["slope_distance"].tolist() == [50.011, 61.25, 44.105] and job.setups["height"].tolist() == [
        1.543,
        1.487,
    ]

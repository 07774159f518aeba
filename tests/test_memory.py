"""A job that would not fit is refused before it is read, and the message says what would fit."""

import subprocess
import sys

import pytest

import heightnet
from heightnet import memory


@pytest.fixture
def job(tmp_path):
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "marks.csv").write_text("mark,height\n" + "".join(f"M{i},\n" for i in range(5000)))
    return folder


def test_rows_are_counted_without_reading(job, tmp_path):
    assert memory.rows_in(job) == 5001
    assert memory.rows_in(tmp_path / "none.xlsx") == 0


def test_too_large_is_said_before_the_work(job, monkeypatch):
    monkeypatch.setattr(memory, "available", lambda: memory.BASE_BYTES + 1000 * memory.BYTES_PER_ROW)
    with pytest.raises(memory.TooLarge, match=r"5,001 rows need about .* GB are free\. About 1,000 rows would fit"):
        heightnet.check(job)


def test_nothing_is_refused_where_nobody_knows_how_much_there_is(job, monkeypatch):
    monkeypatch.setattr(memory, "available", lambda: None)
    memory.require(10**12, "a job")


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit of address space")
def test_a_limit_on_the_process_counts():
    code = (
        "import resource; from heightnet import memory; before = memory.available(); "
        "resource.setrlimit(resource.RLIMIT_AS, (600_000_000, 600_000_000)); now = memory.available(); "
        "assert before is None or now <= before; assert 0 < now < 600_000_000"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_the_command_says_so_and_writes_nothing(job, tmp_path):
    """With the address space limited by the shell, as an administrator would."""
    with (job / "shots.csv").open("w") as file:
        file.write("setup,target,slope_distance,zenith_angle\n")
        file.writelines("S,T,1,90\n" for _ in range(1_000_000))
    command = f"ulimit -v 2500000; {sys.executable} -m heightnet check {job} --to {tmp_path / 'report'}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, timeout=120)
    assert done.returncode == 2
    assert "rows would fit" in done.stderr and "Traceback" not in done.stderr
    assert not (tmp_path / "report").exists()

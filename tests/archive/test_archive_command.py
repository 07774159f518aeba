"""The installed command, run as a user runs it, and interrupted as a user interrupts it."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest
from archive_help import DATA, bytes_of, copied

pytestmark = pytest.mark.slow
JOBS = 20  # of an archive that is interrupted once nine are done
COMMAND = [sys.executable, "-m", "heightnet", "archive"]


def run(*arguments, cwd=None):
    return subprocess.run([*COMMAND, *map(str, arguments)], capture_output=True, text=True, cwd=cwd, timeout=120)


def test_it_says_what_it_did_and_where(archive, tmp_path):
    done = run(archive, "--no-page", cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "1 of 3 jobs contradicts itself." in done.stdout
    assert "3 checked now, 0 as they were." in done.stdout
    assert (tmp_path / "reports" / "archive-office" / "index.html").is_file(), "the place when none is given"
    again = run(archive, "--no-page", "--no-parquet", cwd=tmp_path)
    assert "0 checked now, 3 as they were." in again.stdout and "parquet" not in again.stdout
    assert "Traceback" not in done.stderr + again.stderr


def test_exit_status_two_where_a_job_is_not_readable_and_where_there_is_none(archive, tmp_path):
    (archive / "shots.csv.d").mkdir()
    (archive / "bad").mkdir()
    (archive / "bad" / "levels.csv").write_text("from,to,rise\nA,B,x\n")
    done = run(archive, "--no-page", "--output", tmp_path / "out")
    assert done.returncode == 2 and "1  not readable" in done.stdout
    none = run(archive / "shots.csv.d", "--output", tmp_path / "none")
    assert none.returncode == 2 and "no job in it" in none.stderr and "Traceback" not in none.stderr
    missing = run(tmp_path / "nowhere", "--output", tmp_path / "none")
    assert missing.returncode == 2 and "is no folder" in missing.stderr


def test_strict_and_tolerance_as_check_has_them(tmp_path):
    shutil.copytree(DATA / "bridge-check-shots", tmp_path / "office" / "bridge")
    assert run(tmp_path / "office", "--no-page", "--output", tmp_path / "out").returncode == 0
    assert run(tmp_path / "office", "--no-page", "--output", tmp_path / "out", "--strict").returncode == 1
    run(tmp_path / "office", "--no-page", "--output", tmp_path / "out", "--tolerance", "2.5")
    facts = json.loads((tmp_path / "out" / "archive.json").read_text(encoding="utf-8"))
    assert facts["settings"] == {"test.tolerance_mm": 2.5}


def interrupt(archive, output, times=1, number=signal.SIGINT, group=True):
    """Start it, send what Ctrl-C sends to everything that runs in a terminal, once some jobs are done."""
    command = [*COMMAND, str(archive), "--output", str(output), "--workers", "2", "--no-page"]
    begun = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "MARK_OF_THE_TEST": str(output)},
    )  # fmt: skip
    until = time.monotonic() + 60
    while len(list(output.glob("jobs/*/*/marks.csv"))) < 9 and time.monotonic() < until:
        time.sleep(0.02)
    for _ in range(times):
        os.killpg(begun.pid, number) if group else os.kill(begun.pid, number)
        time.sleep(0.05)
    out, err = begun.communicate(timeout=60)
    return begun.returncode, out, err


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_keeps_what_is_done_and_says_how_to_go_on(tmp_path, number):
    archive, output = copied(tmp_path / "office", JOBS), tmp_path / "out"
    status, out, err = interrupt(archive, output, number=number)
    assert status == 130, out + err
    assert "Stopping after the jobs at work" in err and "run the same command again" in err
    assert "Traceback" not in out + err
    facts = json.loads((output / "archive.json").read_text(encoding="utf-8"))
    counts = facts["counts"]
    assert not facts["archive"]["complete"] and counts["checked"] >= 8 and counts["waiting"] > 0
    assert counts["checked"] + counts["waiting"] == JOBS and f"{counts['waiting']} jobs are not checked yet" in err
    assert f"{counts['waiting']} jobs are not yet checked" in (output / "index.html").read_text(encoding="utf-8")
    assert not list(output.rglob("*.part")) and len(list(output.rglob("results.json"))) == counts["checked"]
    for path in output.rglob("results.json"):
        json.loads(path.read_text(encoding="utf-8"))

    on = run(archive, "--output", output, "--no-page")
    assert f"{counts['waiting']} checked now, {counts['checked']} as they were." in on.stdout
    undisturbed = tmp_path / "undisturbed"
    run(archive, "--output", undisturbed, "--no-page")
    assert bytes_of(output) == bytes_of(undisturbed)


def test_ctrl_c_twice_stops_at_once_and_the_next_run_goes_on(tmp_path):
    archive, output = copied(tmp_path / "office", JOBS), tmp_path / "out"
    status, out, err = interrupt(archive, output, times=2)
    assert status == 130, out + err
    assert "Traceback" not in out + err and "What is done is kept" in err
    assert not list(output.rglob("*.part"))
    on = run(archive, "--output", output, "--no-page")
    assert on.returncode == 0 and str(JOBS) in on.stdout
    facts = json.loads((output / "archive.json").read_text(encoding="utf-8"))
    assert facts["counts"]["checked"] == JOBS and not list(output.rglob("*.part"))


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_workers_do_not_outlive_a_run_that_is_killed(tmp_path):
    archive, output = copied(tmp_path / "office", JOBS), tmp_path / "out"
    status, _, _ = interrupt(archive, output, number=signal.SIGKILL, group=False)
    assert status == -signal.SIGKILL
    half_done = len(list(output.rglob("results.json")))
    until = time.monotonic() + 20
    while workers_of(output) and time.monotonic() < until:
        time.sleep(0.1)
    assert not workers_of(output) and half_done < JOBS
    on = run(archive, "--output", output, "--no-page")
    assert on.returncode == 0 and not list(output.rglob("*.part"))


def workers_of(output):
    """Processes that were started by `interrupt` for this output."""
    found = []
    for process in filter(str.isdigit, os.listdir("/proc")):
        try:
            with open(f"/proc/{process}/environ", "rb") as stream:
                if b"MARK_OF_THE_TEST=" + bytes(output) in stream.read():
                    found.append(process)
        except OSError:
            continue
    return found


def test_help_loads_no_numerics_and_neither_does_the_process_that_hands_out_jobs():
    code = (
        "import sys, heightnet.archives.run, heightnet.archives.store, heightnet.archives.find;"
        "import heightnet.commands.archive, heightnet.archives.one;"
        "sys.exit(bool({'numpy', 'pandas', 'scipy', 'pyarrow', 'distributed'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0

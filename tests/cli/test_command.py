"""The command, run as a user runs it."""

import json
import shutil
import signal
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from command_help import run

import heightnet
from tests.benchmarks.check_speed import write_job

DATA = Path(__file__).resolve().parents[2] / "data"
MARKS = "mark,height\nBM1,50.000\nBM2,51.250\nS1,\n"
SHOTS = (
    "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"
    "1,S1,1.543,BM1,1.600,50.990,90-20-00\n1,S1,1.543,BM2,1.600,50.990,88-55-50\n"
)


@pytest.fixture
def job(tmp_path):
    """A small sound job, to be spoilt."""
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "marks.csv").write_text(MARKS)
    (folder / "shots.csv").write_text(SHOTS)
    return folder


def refused(job, *expected):
    """Exit status 2, every expected text in one list on stderr, no traceback, nothing written but the page of it."""
    to = job.parent / "out"
    done = run("check", job, "--to", to)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert [path.name for path in to.glob("*")] in ([], ["not-read.html"])
    for text in expected:
        assert text in done.stderr
    return done.stderr


def test_the_small_job_of_the_readme(job):
    done = run("check", job, "--to", job.parent / "out")
    assert done.returncode == 0, done.stderr
    for name in ("results.json", "setups.csv", "targets.csv", "marks.csv", "report.html"):
        assert (job.parent / "out" / name).is_file()


def test_exit_status_one_where_something_is_suspect(tmp_path):
    done = run("check", DATA / "quarry-traverse", "--to", tmp_path / "out", "--no-page")
    assert done.returncode == 1
    assert "S4" in done.stdout
    assert not (tmp_path / "out" / "report.html").exists()


def test_figures_as_other_files_where_asked_for(job, tmp_path):
    done = run("check", job, "--to", tmp_path / "out", "--no-page", "--figures", "png")
    assert done.returncode == 0
    assert {p.suffix for p in (tmp_path / "out" / "figures").iterdir()} == {".png"}
    assert run("check", job, "--to", tmp_path / "out", "--figures", "gif").returncode == 2


def test_strict(tmp_path):
    tunnel = DATA / "tunnel-forced-centring"
    assert run("check", tunnel, "--to", tmp_path / "a", "--no-page").returncode == 0
    assert run("check", tunnel, "--to", tmp_path / "b", "--no-page", "--strict").returncode == 1


def test_tolerance_changes_what_is_proved(job):
    fine = json.loads(run("check", job, "--json", "--tolerance", "0.5").stdout)
    coarse = json.loads(run("check", job, "--json", "--tolerance", "500").stdout)
    assert {s["verdict"] for s in coarse["setups"]} == {"unproved"}  # its own mark is not known
    assert "proved" not in {s["verdict"] for s in fine["shots"]}
    assert fine["settings"]["test"]["tolerance_mm"] == 0.5


@pytest.mark.parametrize("name", [p.name for p in sorted(DATA.iterdir()) if p.is_dir()])
def test_json_of_every_demo_keeps_the_schema(name, tmp_path):
    done = run("check", DATA / name, "--json", cwd=tmp_path)
    schema = json.loads(files("heightnet.report").joinpath("results.schema.json").read_text())
    jsonschema.Draft202012Validator(schema).validate(json.loads(done.stdout))
    assert list(tmp_path.iterdir()) == []


def test_default_folder_is_reports_and_the_job_name(job):
    assert run("check", job, "--no-page", cwd=job.parent).returncode == 0
    assert (job.parent / "reports" / "job" / "results.json").is_file()


def test_demo_is_listed_and_copied(tmp_path):
    assert "quarry-traverse" in run("demo").stdout
    assert run("demo", "quarry-traverse", "--to", tmp_path / "q").returncode == 0
    assert (tmp_path / "q" / "README.md").is_file()
    again = run("demo", "quarry-traverse", "--to", tmp_path / "q")
    assert (again.returncode, "exists already" in again.stderr) == (2, True)
    assert run("demo", "no-such").returncode == 2


def test_version():
    assert heightnet.__version__ in run("--version").stdout


def test_help_loads_no_numerics():
    script = (
        "import sys\nfrom heightnet.commands.group import cli\n"
        "try:\n    cli.main(['--help'])\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'pandas', 'matplotlib', 'networkx', 'rich'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "check" in done.stdout


def listen_to_interrupts():
    """What a shell starts in the background ignores them, and so would what it starts in turn."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.slow
def test_interrupted_work_leaves_nothing_half_written(tmp_path):
    write_job(tmp_path / "large", "town", 100_000)
    command = [sys.executable, "-m", "heightnet", "check", tmp_path / "large", "--to", tmp_path / "report", "--no-page"]
    working = subprocess.Popen(
        command, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True, preexec_fn=listen_to_interrupts
    )
    first = working.stderr.readline()  # a stage, said once the work has taken two seconds
    working.send_signal(signal.SIGINT)
    _, rest = working.communicate(timeout=120)
    assert " s  " in first
    assert (working.returncode, rest.splitlines()[-1]) == (130, "Interrupted; nothing was left half-written.")
    assert "Traceback" not in rest
    left = list((tmp_path / "report").rglob("*")) if (tmp_path / "report").exists() else []
    assert not [path for path in left if path.name.endswith(".part")] and "results.json" not in {p.name for p in left}


@pytest.mark.slow
def test_a_report_never_takes_the_place_of_a_jobs_own_tables(tmp_path):
    job, report = tmp_path / "job", tmp_path / "report"
    shutil.copytree(DATA / "quarry-traverse", job)
    before = {path.name: path.read_bytes() for path in job.iterdir()}
    for into in (job, "."):
        done = run("check", job, "--to", into, "--no-page", cwd=job)
        assert (done.returncode, "Traceback" in done.stderr) == (2, False)
        assert "holds a job's own tables" in done.stderr
    assert {path.name: path.read_bytes() for path in job.iterdir()} == before
    for _ in range(2):  # over an earlier report it may
        assert run("check", job, "--to", report, "--no-page").returncode == 1
    (report / "results.json").unlink()
    assert run("check", job, "--to", report, "--no-page").returncode == 2


# ---- hostile input ----


def test_no_such_job(tmp_path):
    done = run("check", tmp_path / "none")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "none" in done.stderr


def test_a_stray_file_is_no_job(tmp_path):
    (tmp_path / "x.txt").write_text("hello")
    done = run("check", tmp_path / "x.txt")
    assert (done.returncode, "Traceback" in done.stderr) == (2, False)


def test_empty_folder(tmp_path):
    done = run("check", tmp_path)
    assert (done.returncode, "Traceback" in done.stderr) == (2, False)


@pytest.mark.parametrize(
    "text", ["", "\n", "setup,at,instrument_height,mark,target_height,slope_distance,zenith_angle\n"]
)
def test_empty_shots(job, text):
    (job / "shots.csv").write_text(text)
    (job / "marks.csv").write_text("mark,height\n")
    refused(job)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("zenith_angle", "zenth_angle", "zenith_angle"),  # unknown column names the nearest; the real one is missing
        ("90-20-00", "0-00-00", "zenith"),
        ("90-20-00", "180-00-00", "zenith"),
        ("90-20-00", "400-00-00", "zenith"),
        ("90-20-00", "90-75-00", "90-75-00"),
        ("50.990,90", "-50.990,90", "-50.990"),
        ("50.990,90", "nan,90", "nan"),
        ("50.990,90", "inf,90", "inf"),
        ("50.990,90", "1e999,90", "1e999"),
        ("50.990,90", ",90", "slope_distance"),
        ("1.543,BM2", "1.544,BM2", "1.544"),  # one set-up, two instrument heights
    ],
)
def test_one_spoilt_cell_names_its_place(job, old, new, expected):
    (job / "shots.csv").write_text(SHOTS.replace(old, new, 1))
    assert "shots.csv" in refused(job, expected)


def test_all_errors_come_at_once(job):
    (job / "shots.csv").write_text(SHOTS.replace("90-20-00", "x").replace("88-55-50", "y").replace("1.600", "z", 1))
    (job / "marks.csv").write_text(MARKS.replace("51.250", "high"))
    text = refused(job, "'x'", "'y'", "'z'", "'high'")
    assert "row 2" in text
    assert "row 3" in text


def test_duplicate_ids_and_unknown_setup(tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(DATA / "quarry-traverse", folder)
    setups = (folder / "setups.csv").read_text().splitlines()
    (folder / "setups.csv").write_text("\n".join([*setups, setups[1]]) + "\n")
    shots = (folder / "shots.csv").read_text()
    (folder / "shots.csv").write_text(shots.replace("\nS4,", "\nS44,", 1))
    refused(folder, "S1", "S44", "S4")


def test_slant_shorter_than_its_radius(tmp_path):
    folder = tmp_path / "job"
    shutil.copytree(DATA / "quarry-traverse", folder)
    tape = (folder / "tape.csv").read_text()
    (folder / "tape.csv").write_text(tape.replace("S1,1.487,m", "S1,0.087,m"))
    refused(folder, "tape.csv", "row 2", "0.087")


def test_a_five_megabyte_cell(job):
    (job / "shots.csv").write_text(SHOTS.replace("90-20-00", "9" * 5_000_000))
    text = refused(job, "shots.csv")
    assert len(text) < 5000


def test_latin_1_bytes(job):
    (job / "marks.csv").write_bytes(MARKS.replace("S1,", "Brück,").encode("latin-1"))
    done = run("check", job, "--to", job.parent / "out")
    assert "Traceback" not in done.stderr
    assert done.returncode == 2
    assert "marks.csv" in done.stderr


@pytest.mark.parametrize(
    "change",
    [
        lambda text: ("\ufeff" + text).encode(),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace(",", ";").encode(),
        lambda text: text.replace(",", "\t").encode(),
    ],
    ids=["BOM", "CRLF", "semicolons", "tabs"],
)
def test_other_ways_to_write_a_table(job, change):
    plain = json.loads(run("check", job, "--json").stdout)
    for name, text in (("marks.csv", MARKS), ("shots.csv", SHOTS)):
        (job / name).write_bytes(change(text))
    other = json.loads(run("check", job, "--json").stdout)
    assert [m["height_m"] for m in other["marks"]] == [m["height_m"] for m in plain["marks"]]


def test_nothing_ties_anything(job):
    (job / "shots.csv").unlink()
    (job / "marks.csv").write_text("mark,height\nA,\n")
    refused(job)


def test_names_are_text(job):
    (job / "marks.csv").write_text(MARKS.replace("BM1", "NA").replace("BM2", "007").replace("S1", "1E5"))
    (job / "shots.csv").write_text(SHOTS.replace("BM1", "NA").replace("BM2", "007").replace("S1", "1E5"))
    facts = json.loads(run("check", job, "--json").stdout)
    assert {m["mark"] for m in facts["marks"]} == {"NA", "007", "1E5"}


def test_an_existing_report_survives_a_refused_job(job):
    to = job.parent / "out"
    assert run("check", job, "--to", to, "--no-page").returncode == 0
    before = (to / "results.json").read_bytes()
    (job / "shots.csv").write_text("rubbish")
    assert run("check", job, "--to", to).returncode == 2
    assert (to / "results.json").read_bytes() == before

"""A fault of the program: a bundle, one sentence, exit status 3, and in the bundle nothing of the job unless asked for.

The fault is put in from outside, by a ``sitecustomize`` on the path: the program has no hooks for it.
"""

import json
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from command_help import COMMAND, DATA, broken, run

import heightnet

pytestmark = pytest.mark.slow
READ = "heightnet.job.read:read_job"
NAME, VALUE = "Quernstone", "61.2345"  # occur nowhere in the program


@pytest.fixture
def job(tmp_path):
    folder = tmp_path / f"{NAME} farm"
    shutil.copytree(DATA / "bridge-check-shots", folder)
    marks = (folder / "marks.csv").read_text().splitlines()
    (folder / "marks.csv").write_text("\n".join([*marks, f"{NAME},{VALUE}" + "," * (marks[0].count(",") - 1)]) + "\n")
    toml = (folder / "job.toml").read_text().replace("tolerance_mm = 5.0", "tolerance_mm = 7.25")
    lines = [line for line in toml.splitlines() if not line.startswith("title")]
    (folder / "job.toml").write_text("\n".join([f'title = "{NAME} bridge"', *lines, f"# {NAME}"]) + "\n")
    return folder


@pytest.fixture
def here(tmp_path):
    folder = tmp_path / "here"
    folder.mkdir()
    return folder


def bundle_in(folder):
    (path,) = folder.glob("heightnet-fault-*.zip")
    with zipfile.ZipFile(path) as bundle:
        assert bundle.testzip() is None
        return path, {name: bundle.read(name).decode("utf-8") for name in bundle.namelist()}


def told(done, path):
    """Exit status 3 and one sentence, which names the bundle and says what to do."""
    assert done.returncode == 3, done.stdout + done.stderr
    lines = [line for line in done.stderr.splitlines() if line]
    assert len(lines) == 1 and str(path) in lines[0] and "please send" in lines[0]
    return lines[0]


def test_the_bundle_says_what_is_needed_and_nothing_of_the_job(tmp_path, here, job):
    env = broken(tmp_path, "heightnet.tasks.check:judged")
    done = run("check", job, "--tolerance", "6.5", "--to", here / NAME, "--strict", cwd=here, env=env)
    path, files = bundle_in(here)
    assert "--with-job" in told(done, path.name) and done.stdout == ""
    assert set(files) == {"about.txt", "traceback.txt", "settings.txt"}
    about = files["about.txt"].splitlines()
    assert about[0] == f"heightnet {heightnet.__version__}"
    assert about[1].startswith(f"Python {sys.version.split()[0]} ")
    for library in ("numpy", "scipy", "pandas"):
        assert f"{library} {__import__(library).__version__}" in about
    assert "Command: heightnet check JOB --tolerance 6.5 --strict --to TO" in about
    assert "heightnet/tasks/check.py" in files["traceback.txt"].replace(os.sep, "/")
    assert files["traceback.txt"].splitlines()[-1] == "builtins.ZeroDivisionError"
    settings = files["settings.txt"].splitlines()
    assert {"test.tolerance_mm = 6.5", "units.length = m"} <= set(settings)
    everything = path.read_bytes().decode("latin-1") + done.stderr + "".join(files.values())
    for secret in (NAME, VALUE, "farm", "B1", str(tmp_path), os.path.expanduser("~") + os.sep, "it was"):
        assert secret not in everything, secret
    assert not any((here / NAME).glob("*")) if (here / NAME).exists() else True


@pytest.mark.parametrize("before", [True, False])
def test_with_the_job_where_it_is_asked_for(tmp_path, here, job, before):
    (job / "notes.txt").write_text("no part of the job")
    arguments = ["--with-job", "check", job] if before else ["check", job, "--with-job"]
    done = run(*arguments, cwd=here, env=broken(tmp_path, "heightnet.tasks.check:judged"))
    path, files = bundle_in(here)
    assert "it holds the job as well" in told(done, path.name)
    inside = {name.removeprefix("job/"): text for name, text in files.items() if name.startswith("job/")}
    tables = {p.name for p in job.iterdir() if p.suffix in (".csv", ".toml")}
    assert set(inside) == tables and all(inside[name] == (job / name).read_text() for name in tables)
    assert "ZeroDivisionError: it was" in files["traceback.txt"] and f"{NAME} farm" in files["about.txt"]


def test_a_run_that_fails_alike_names_the_bundle_that_is_there(tmp_path, here, job):
    env = broken(tmp_path, READ)
    first = run("plan", job, cwd=here, env=env)
    path, files = bundle_in(here)
    assert "earlier run" not in told(first, path.name)
    before = path.read_bytes()
    for arguments in (("plan", job), ("plan", job, "--budget", "20")):
        again = told(run(*arguments, cwd=here, env=env), path.name)
        assert f"{path.name}, left by an earlier run that failed alike, to" in again
        assert bundle_in(here) == (path, files) and path.read_bytes() == before

    for arguments in (("bust", job), ("plan", job, "--with-job")):  # another way to it; what holds more
        told(run(*arguments, cwd=here, env=env), "heightnet-fault")
    assert len(list(here.iterdir())) == 3
    (job / "marks.csv").write_text((job / "marks.csv").read_text() + "\n")
    told(run("plan", job, "--with-job", cwd=here, env=env), "heightnet-fault")
    assert len(list(here.iterdir())) == 4, "the job is not the one that was put into a bundle before"

    path.write_bytes(before[: len(before) // 2])  # what is no whole bundle is none
    assert "earlier run" not in told(run("plan", job, cwd=here, env=env), path.name)
    assert zipfile.is_zipfile(path)


@pytest.mark.parametrize(
    ("what", "arguments"),
    [
        (READ, ("bust", "JOB")),
        (READ, ("prove", "JOB", "--setup", "B1")),
        (READ, ("plan", "JOB", "--budget", "20")),
        (READ, ("trust", "JOB")),
        ("heightnet.tasks.show:show", ("show", "JOB")),
        ("heightnet.report.document:html", ("plan", "JOB", "--to", "out")),
        ("heightnet.job.bring_in:bring_in", ("import", f"{NAME}.xml", "new")),
        ("heightnet.job.template:new_folder", ("new", NAME)),
        ("heightnet.tasks.tape:weigh_readings", ("tape", "1.6123", "1.613")),
        ("heightnet.commands.demo:demos", ("demo",)),
        ("heightnet.archives.index:write_index", ("archive", "JOB", "--output", "out", "--no-page")),
        ("heightnet.commands.group:run", ("check", "JOB")),  # before any command is at work
        ("heightnet.report.words:Words", ("check", "JOB", "--no-page")),
    ],
    ids=lambda value: value if isinstance(value, str) else value[0],
)
def test_of_every_command(tmp_path, here, job, what, arguments):
    arguments = [str(job) if a == "JOB" else a for a in arguments]
    done = run(*arguments, cwd=here, env=broken(tmp_path, what))
    path, files = bundle_in(here)
    sentence = told(done, path.name)
    assert ("--with-job" in sentence) == (arguments[0] not in ("new", "tape", "demo") and "group" not in what)
    everything = path.read_bytes().decode("latin-1") + sentence + "".join(files.values())
    for secret in (NAME, VALUE, str(tmp_path), "1.6123"):
        assert secret not in everything, secret


def test_an_error_from_an_error_leaves_out_the_words_of_both(tmp_path, here, job):
    site = tmp_path / "site"
    env = broken(tmp_path, "heightnet.tasks.check:judged")
    hook = (site / "sitecustomize.py").read_text()
    hook = hook.replace(
        'raise ZeroDivisionError("it was " + said)',
        'exec("try:\\n    {}[said]\\nexcept KeyError as e:\\n    raise ValueError(said) from e", {"said": said})',
    )
    assert "from e" in hook
    (site / "sitecustomize.py").write_text(hook)
    told(run("check", job, cwd=here, env=env), "heightnet-fault")
    path, files = bundle_in(here)
    assert "builtins.KeyError" in files["traceback.txt"] and "builtins.ValueError" in files["traceback.txt"]
    assert NAME not in path.read_bytes().decode("latin-1") + "".join(files.values())


@pytest.mark.skipif(sys.platform != "linux", reason="/proc cannot be written to, whoever asks")
def test_the_temporary_folder_where_the_working_one_cannot_be_written_to(tmp_path, here, job):
    env = broken(tmp_path, READ) | {"TMPDIR": str(here)}
    done = run("plan", job, cwd="/proc", env=env)
    path, _ = bundle_in(here)
    told(done, path)
    assert path.stat().st_mode & 0o077 == 0, "in a folder that all can read, nobody else can read it"


def test_a_fault_while_telling_of_a_fault(tmp_path, here, job):
    env = broken(tmp_path, READ)
    for what in ("zipfile:ZipFile", "heightnet.faults:tell"):  # the bundle, and even the sentence
        site = tmp_path / "site" / "sitecustomize.py"
        hook = site.read_text()
        more = hook.replace('os.environ["BREAK"]', repr(what)).replace('os.environ.get("ONLY", "")', '""')
        (tmp_path / "site" / "second.py").write_text(more)
        if "import second" not in hook:
            site.write_text(hook + "\nimport second\n")
        sys_modules_free = env | {"PYTHONSAFEPATH": ""}
        done = run("plan", job, cwd=here, env=sys_modules_free)
        assert done.returncode == 3
        assert len(done.stderr.splitlines()) == 1 and "heightnet" in done.stderr
        assert list(here.iterdir()) == [], "nothing half-written"


def test_a_full_disk_is_no_reason_for_a_traceback(tmp_path, here, job):
    """No file may grow at all: neither the bundle in the working folder nor the one in the temporary folder."""
    if sys.platform == "win32":
        pytest.skip("limits of POSIX")
    command = f"ulimit -f 0; {' '.join(COMMAND)} plan {str(job)!r}"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, cwd=here, env=broken(tmp_path, READ), timeout=120
    )
    assert done.returncode == 3 and "no bundle could be written" in done.stderr, done.stderr
    assert "Traceback" not in done.stderr and list(here.iterdir()) == []


class TestArchive:
    ONLY = "second"

    @pytest.fixture
    def office(self, tmp_path, job):
        for name in ("first", "second", "third"):
            shutil.copytree(job, tmp_path / "office" / f"{NAME} {name}")
        return tmp_path / "office"

    def test_it_goes_on_past_a_fault_in_one_job_and_ends_in_three(self, tmp_path, here, office):
        env = broken(tmp_path, "heightnet.tasks.check:facts_of", only="")
        hook = tmp_path / "site" / "sitecustomize.py"
        hook.write_text(hook.read_text().replace("said = ", "said = args[0].net.job.name + "))
        env["ONLY"] = self.ONLY
        done = run("archive", office, "--output", "out", "--no-page", "--workers", "1", cwd=here, env=env)
        path, files = bundle_in(here)
        assert "at 1 of 3 jobs" in told(done, path.name)
        facts = json.loads((here / "out" / "archive.json").read_text(encoding="utf-8"))
        assert (facts["counts"]["checked"], facts["counts"]["error"]) == (3, 1)
        errors = {j["path"]: j["error"] for j in facts["jobs"]}
        assert [p for p, error in errors.items() if error and error["kind"] == "unexpected"] == [f"{NAME} second"]
        everything = path.read_bytes().decode("latin-1") + done.stderr + "".join(files.values())
        for secret in (NAME, VALUE, str(tmp_path), "second", "it was"):
            assert secret not in everything, secret
        assert "in check_one" in files["traceback.txt"] and "test.tolerance_mm = 7.25" in files["settings.txt"]

        path.unlink()
        done = run("archive", office, "--output", "out", "--no-page", "--with-job", cwd=here, env=env)
        assert "1 checked now, 2 as they were." in done.stdout, "it is tried again"
        path, files = bundle_in(here)
        told(done, path.name)
        assert f"jobs/{NAME} second/marks.csv" in files and not any("first" in name for name in files)

        path.unlink()  # the fault is mended
        done = run("archive", office, "--output", "out", "--no-page", cwd=here)
        assert done.returncode == 0 and "1 checked now, 2 as they were." in done.stdout
        assert not list(here.glob("*.zip"))

    def test_jobs_that_fail_alike_are_told_by_one(self, tmp_path, here, office):
        env = broken(tmp_path, "heightnet.tasks.check:facts_of")
        done = run("archive", office, "--output", "out", "--no-page", cwd=here, env=env)
        path, files = bundle_in(here)
        assert "at 3 of 3 jobs" in told(done, path.name) and "traceback.txt" in files

    def test_a_fault_outranks_a_job_that_cannot_be_read(self, tmp_path, here, office):
        (office / f"{NAME} first" / "marks.csv").write_text("mark,height\nA,x\n")
        env = broken(tmp_path, "heightnet.tasks.check:facts_of")
        assert run("archive", office, "--output", "out", "--no-page", cwd=here, env=env).returncode == 3
        assert run("archive", office, "--output", "out", "--no-page", cwd=here).returncode == 2


def test_what_is_refused_leaves_no_bundle(here, job):
    (job / "marks.csv").write_text("mark,height\nA,x\n")
    for arguments in (("check", job), ("check", job, "--tolerance", "-5"), ("nonsense",)):
        assert run(*arguments, cwd=here).returncode == 2
    assert [path.name for path in Path(here).rglob("*") if path.is_file()] == ["not-read.html"]

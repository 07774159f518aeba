"""Files that tests of archives put into them; invented."""

import csv
import json
import shutil
from pathlib import Path

from openpyxl import Workbook

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "data"
SCHEMA = json.loads((ROOT / "heightnet" / "report" / "archive.schema.json").read_text(encoding="utf-8"))

LANDXML = """<?xml version="1.0"?>
<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
<Units><Metric linearUnit="meter" angularUnit="decimal degrees"/></Units>
<CgPoints><CgPoint name="A" pntSurv="control">0 0 50.000</CgPoint><CgPoint name="B">100 0 51.250</CgPoint></CgPoints>
<Survey>
<InstrumentSetup id="s1" stationName="A" instrumentHeight="1.543"><InstrumentPoint pntRef="A"/></InstrumentSetup>
<ObservationGroup id="g1" setupID="s1">
<RawObservation targetHeight="1.600" zenithAngle="89.3000" slopeDistance="100.0075"><TargetPoint pntRef="B"/>
</RawObservation></ObservationGroup></Survey></LandXML>
"""


def workbook(path, demo="bridge-check-shots", sheets=()):
    """A demo job as a workbook; with ``sheets`` empty sheets of these names."""
    book = Workbook()
    book.remove(book.active)
    for name in sheets:
        book.create_sheet(name)
    for file in sorted((DATA / demo).glob("*.csv")) if not sheets else ():
        sheet = book.create_sheet(file.stem)
        for row in csv.reader(file.read_text(encoding="utf-8").splitlines()):
            sheet.append(row)
    if not sheets:
        from heightnet.job.read import read_job
        from heightnet.ledger.settings import SETTINGS, default, value_of

        settings, sheet = read_job(DATA / demo).settings, book.create_sheet("job")
        sheet.append(["setting", "value"])
        for setting in SETTINGS:
            value = value_of(settings, setting.name)
            if value is not None and value != default(setting.name):
                sheet.append([setting.name, value])
    path.parent.mkdir(parents=True, exist_ok=True)
    book.save(path)
    return path


def copied(folder, count, demo="bridge-check-shots"):
    """An archive of several copies of a demo job, in folders of years."""
    for i in range(count):
        shutil.copytree(DATA / demo, folder / f"20{20 + i % 3}" / f"job {i:02d}")
    return folder


def bytes_of(folder):
    """Every file below a folder but the store, with its content."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "archive.sqlite"
    }

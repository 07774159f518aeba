"""A small workbook (invented), and the same as other programs might have written it."""

import re
import zipfile

from openpyxl import Workbook

MARKS = [["mark", "height", "sd_mm"], ["BM1", 100, 0], ["BM2", 101.25, None]]
SETUPS = [["setup", "mark", "height"], ["S1", "BM1", 1.536]]
TARGETS = [["target", "mark", "height"], ["T1", "BM2", 1.6]]
SHOTS = [["setup", "target", "slope_distance", "zenith_angle"], ["S1", "T1", 50.99, "88-36-10"]]


def write_book(path, change=None, **sheets):
    """A workbook from rows for each sheet; ``change`` may do more to it before it is saved."""
    workbook = Workbook()
    workbook.remove(workbook.active)
    for name, rows in ({"marks": MARKS, "setups": SETUPS, "targets": TARGETS, "shots": SHOTS} | sheets).items():
        sheet = workbook.create_sheet(name)
        for row in rows:
            sheet.append(row)
    if change:
        change(workbook)
    workbook.save(path)
    return path


def rewritten(path, change, parts="worksheets/"):
    """The same workbook as another program might have written the text of some of its parts."""
    new = path.with_name("rewritten.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(new, "w") as out:
        for info in old.infolist():
            data = old.read(info)
            if re.search(parts, info.filename) and info.filename.endswith(".xml"):
                data = change(data.decode())
            out.writestr(info.filename, data)
    return new


def prefixed(text):
    text = re.sub(r"<(/?)([a-zA-Z])", r"<\1x:\2", text)
    return text.replace("xmlns=", "xmlns:x=").encode()


def in_utf16(text):
    root = re.search(r"<(?!\?)", text).start()
    return ('<?xml version="1.0" encoding="utf-16"?>' + text[root:]).encode("utf-16")


def other_quotes(text):
    return re.sub(r'<mergeCell ref="([^"]*)"', r"<mergeCell  ref = '\1'", text).replace("<f>", '<f ca="1">').encode()

"""Make again what is made from the ledger: ``python -m tests.make_descriptions``.

The pages of columns and of exit statuses in heightnet/docs, the tables of keys in others, the JSON schemas in
heightnet/report, and the datapackage.json of every demo job.
"""

from __future__ import annotations

import json
from pathlib import Path

import heightnet
from heightnet import exits
from heightnet.job.describe import write_data_package
from heightnet.ledger.pages import columns_page, with_tables
from heightnet.ledger.schema import schemas

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "heightnet"
PAGE = PACKAGE / "docs" / "columns.md"
WITH_TABLES = [PACKAGE / "docs" / name for name in ("results.md", "archive.md", "across-jobs.md")]
EXITS = PACKAGE / "docs" / "exits.md"


def demos() -> list[Path]:
    return sorted(p for p in (ROOT / "data").iterdir() if p.is_dir())


def main() -> None:
    PAGE.write_text(columns_page(), encoding="utf-8")
    EXITS.write_text(exits.page(), encoding="utf-8")
    for path in WITH_TABLES:
        path.write_text(with_tables(path.read_text(encoding="utf-8")), encoding="utf-8")
    for name, schema in schemas().items():
        text = json.dumps(schema, indent=1, ensure_ascii=False)
        (PACKAGE / "report" / name).write_text(f"{text}\n", encoding="utf-8")
    for folder in demos():
        write_data_package(folder, heightnet.read_job(folder).settings)


if __name__ == "__main__":
    main()

"""Make again what is made from the list of tables: ``python -m tests.make_descriptions``.

The pages of columns and of exit statuses in heightnet/docs, and the datapackage.json of every demo job.
"""

from __future__ import annotations

from pathlib import Path

import heightnet
from heightnet import exits
from heightnet.job.describe import columns_page, write_data_package

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "heightnet" / "docs" / "columns.md"
EXITS = ROOT / "heightnet" / "docs" / "exits.md"


def demos() -> list[Path]:
    return sorted(p for p in (ROOT / "data").iterdir() if p.is_dir())


def main() -> None:
    PAGE.write_text(columns_page(), encoding="utf-8")
    EXITS.write_text(exits.page(), encoding="utf-8")
    for folder in demos():
        write_data_package(folder, heightnet.read_job(folder).settings)


if __name__ == "__main__":
    main()

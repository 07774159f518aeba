"""What every page says once, whatever it found."""

from __future__ import annotations

from heightnet.report.claims import strong
from heightnet.report.document import Note

CAUTION = (
    "A statistical check is no substitute for an independent measurement. Before anyone digs, builds, passes "
    "under or relies on a flood level by these heights, follow the specifications that apply to the work and the "
    "judgement of a licensed surveyor. A height that this page clears was tested for blunders of the stated size, "
    "under the stated precision; it was not measured twice."
)

NOTE = Note(f"{strong('Caution.')} {CAUTION}", "caution")

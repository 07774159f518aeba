"""Whether a job will fit into memory, asked before the work begins rather than after an hour of it."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from heightnet.errors import HeightnetError

BASE_BYTES = 200_000_000  # the libraries themselves
BYTES_PER_ROW = 3_300
"""Of marks, set-ups, targets, sights and levelling together: 2,900 were measured at a million sights in open country,
the network that fills in most (tests/benchmarks/results/check_speed.md)."""


class TooLarge(HeightnetError):
    """The job would not fit into this machine's memory."""


def require(rows: int, name: str) -> None:
    """Raise `TooLarge` where a check of so many rows would need more memory than there is."""
    free = available()
    need = needed(rows)
    if free is None or need <= free:
        return
    fit = max(0, int((free - BASE_BYTES) / BYTES_PER_ROW))
    raise TooLarge(
        f"{name}: {rows:,} rows need about {need / 1e9:.1f} GB of memory, and {free / 1e9:.1f} GB are free. About "
        f"{fit:,} rows would fit. Close other programs, use a machine with more memory, or check the job in parts that "
        "meet at known marks."
    )


def needed(rows: int) -> int:
    """Bytes that a check of so many rows takes at its peak, about.

    >>> round(needed(1_900_000) / 1e9, 1)
    6.5
    """
    return BASE_BYTES + BYTES_PER_ROW * rows


def rows_in(path: Path) -> int:
    """Rows of the CSV tables of a job folder, counted by their line ends; 0 for what is no folder."""
    if not path.is_dir():
        return 0
    count = 0
    for file in filter(Path.is_file, path.glob("*.[cC][sS][vV]")):
        with file.open("rb") as lines:
            while block := lines.read(1 << 24):
                count += block.count(b"\n")
    return count


def available() -> int | None:
    """Bytes this process may still take: what the machine has free, or less where a limit is set; None: not known."""
    limits = [_machine(), _container(), _process()]
    known = [limit for limit in limits if limit is not None]
    return max(0, min(known)) if known else None


def _machine() -> int | None:
    try:
        with open("/proc/meminfo", encoding="ascii") as lines:
            free = next((line for line in lines if line.startswith("MemAvailable:")), None)
        if free:
            return int(free.split()[1]) * 1024
    except OSError:
        pass
    try:  # no word of what is free: what there is
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return None


def _container() -> int | None:
    """What a control group leaves."""
    try:
        most = Path("/sys/fs/cgroup/memory.max").read_text(encoding="ascii").strip()
        return None if most == "max" else int(most) - int(Path("/sys/fs/cgroup/memory.current").read_text())
    except (OSError, ValueError):
        return None


def _process() -> int | None:
    """What the process's own limit of address space leaves."""
    if sys.platform == "win32":
        return None
    import resource

    most, _ = resource.getrlimit(resource.RLIMIT_AS)
    if most == resource.RLIM_INFINITY:
        return None
    try:
        used = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError):
        used = 0
    return most - used

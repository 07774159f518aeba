"""A job with a time at every stand, sight and staff reading, so that no order goes by rows."""

from __future__ import annotations

from heightnet.job.model import Job


def timed(job: Job) -> Job:
    """One every two minutes, as the rows stand, from seven o'clock on."""

    def times(n: int) -> list[str]:
        return [f"{7 + i // 30:02d}:{2 * (i % 30):02d}" for i in range(n)]

    tables = {table: job.tables[table] for table in ("setups", "targets", "shots", "staff")}
    return job.with_tables(**{table: frame.assign(when=times(len(frame))) for table, frame in tables.items()})

"""What is asked for beside settings, by an option and by a Python argument of one name: both keep one rule."""

from __future__ import annotations

from heightnet.ledger import ranges
from heightnet.ledger.field import Field

SECONDS = Field("seconds", "number", "How long a search for errors may take.", within=ranges.SECONDS)
FIGURES = Field("figures", "choice", "A kind of file that the pictures are written as besides.", choices=("pdf", "png"))
HIDE = Field("hide", "choice", "How observers are hidden.", choices=("codes", "initials"))
WORKERS = Field("workers", "number", "Processes; default: one for each core.", within=ranges.WORKERS)
BUDGET = Field("budget", "number", "Minutes there are; default: as many as it takes.", within=ranges.BUDGET_MIN)
WALKING = Field(
    "walking", "number", "Minutes that walking a kilometre takes; 0: it is not counted.", within=ranges.WALKING
)
START = Field("start", "name", "Mark at which the walk begins; default: wherever it is shortest.")
RUNS = Field("runs", "number", "Simulated jobs.", within=ranges.RUNS)
SEED = Field("seed", "number", "What the simulated jobs are drawn with.", within=ranges.SEED)

ARGUMENTS = {
    argument.name: argument for argument in (SECONDS, FIGURES, HIDE, WORKERS, BUDGET, WALKING, START, RUNS, SEED)
}

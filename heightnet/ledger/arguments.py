"""What is asked for beside settings, by an option and by a Python argument of one name: both keep one rule."""

from __future__ import annotations

from heightnet.ledger import ranges
from heightnet.ledger.field import Field

TOLERANCE = Field(
    "tolerance_mm", "number", "An error of a height this large must not be able to hide.", within=ranges.TOLERANCE_MM
)
SECONDS = Field("seconds", "number", "How long a search for errors may take.", within=ranges.SECONDS)
FIGURES = Field("figures", "choice", "A kind of file that the pictures are written as besides.", choices=("pdf", "png"))
HIDE = Field("hide", "choice", "How observers are hidden.", choices=("codes", "initials"))
HIDDEN = Field(
    "hidden", "choice", "What becomes of rows, columns and sheets that a workbook does not show.",
    choices=("read", "skip"),
)  # fmt: skip
CLOSING = Field("closing", "number", "A limit of one's own for loops and runs.", within=ranges.CLOSING_KM)
CLOSING_SETUPS = Field("closing_setups", "number", "The same for each set-up.", within=ranges.CLOSING_SETUPS)
SD = Field("sd_mm", "number", "Standard deviation of one tape reading.", within=ranges.TAPE_SD_MM)
WORK = Field("work_mm", "number", "What a slant reduction may be left out in.", within=ranges.WORK_MM)
SCALE = Field("scale", "choice", "Of numbers without a unit.", choices=("", "m", "mm", "ft", "ftUS", "ftin"))
SETUP = Field("setup", "text", "The set-up whose height is to be proved.")
MARK = Field("mark", "text", "The known mark that is to be proved.")
READING = Field("readings", "text", "A tape reading as typed.")
RADIUS = Field("radius", "text", "Horizontal distance from the axis to the point that the tape was held to.")
OFFSET = Field("offset", "text", "From that point up to the axis, down negative.")
FOLDER = Field("folder", "text", "The folder where jobs are.")
TO = Field("to", "text", "The folder that is written.")
SCHEDULER = Field("scheduler", "text", "Address of a Dask scheduler.")
WORKERS = Field("workers", "number", "Processes; default: one for each core.", within=ranges.WORKERS)
BUDGET = Field("budget", "number", "Minutes there are; default: as many as it takes.", within=ranges.BUDGET_MIN)
WALKING = Field(
    "walking", "number", "Minutes that walking a kilometre takes; 0: it is not counted.", within=ranges.WALKING
)
START = Field("start", "name", "Mark at which the walk begins; default: wherever it is shortest.")
RUNS = Field("runs", "number", "Simulated jobs.", within=ranges.RUNS)
SEED = Field("seed", "number", "What the simulated jobs are drawn with.", within=ranges.SEED)

ARGUMENTS = {
    argument.name: argument
    for argument in (
        TOLERANCE, SECONDS, FIGURES, HIDE, WORKERS, BUDGET, WALKING, START, RUNS, SEED, CLOSING, CLOSING_SETUPS, SD,
        WORK, SCALE, SETUP, MARK, READING, RADIUS, OFFSET, FOLDER, TO, SCHEDULER, HIDDEN,
    )
}  # fmt: skip

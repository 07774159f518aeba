"""heightnet: finds the wrong instrument or target height in a total-station job.

The public names, nothing else; each is loaded when it is first used, so that importing the package is instant.
"""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing takes as long to import as Python itself to start
    from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "read_job": "heightnet.job.read",
    "check": "heightnet.tasks.check",
    "archive": "heightnet.answers",
    "bust": "heightnet.answers",
    "prove": "heightnet.answers",
    "plan": "heightnet.answers",
    "show": "heightnet.answers",
    "tape": "heightnet.answers",
    "Answer": "heightnet.answers",
    "Screened": "heightnet.archives.screen",
    "Minutes": "heightnet.tasks.measurements",
    "Job": "heightnet.job.model",
    "Settings": "heightnet.ledger.settings",
    "Result": "heightnet.result",
    "HeightnetError": "heightnet.errors",
    "WrongSettings": "heightnet.errors",
    "InputErrors": "heightnet.errors",
}

__all__ = [
    "Answer", "HeightnetError", "InputErrors", "Job", "Minutes", "Result", "Screened", "Settings", "WrongSettings",
    "__version__", "archive", "bust", "check", "plan", "prove", "read_job", "show", "tape",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'heightnet' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__

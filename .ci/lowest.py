"""The lowest version pyproject.toml declares of each dependency and of what the tests need, for ``pip install -c``."""

import re
import tomllib
from pathlib import Path

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
for declared in [*project["dependencies"], *project["optional-dependencies"]["test"]]:
    name, lowest = re.fullmatch(r"([\w-]+)>=([\d.]+)", declared).groups()
    print(f"{name}=={lowest}")

"""Sparse least squares with redundancy numbers and selected inverse; knows nothing of surveying."""

from heightnet.adjust.errors import NotDetermined, SelfCheckFailed
from heightnet.adjust.fit import Fit, adjust

__all__ = ["Fit", "NotDetermined", "SelfCheckFailed", "adjust"]

"""A job as unknowns, observations and a sparse design matrix; and the graph of what ties to what."""

from heightnet.network.build import build_network
from heightnet.network.model import Network

__all__ = ["Network", "build_network"]

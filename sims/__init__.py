"""A simulated site to test against: a plant controller with real outputs on real sockets, and its own truth log."""

from sims.options import SiteOptions
from sims.process import SiteProcess
from sims.site import SimulatedSite

__all__ = ["SimulatedSite", "SiteOptions", "SiteProcess"]

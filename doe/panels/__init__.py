"""Panels for notebooks: widgets wired to the computing rooms and to the charts."""

from doe.panels.analysing import AnalysingPanel
from doe.panels.choosing import ChoosingPanel
from doe.panels.planning import PlanningPanel
from doe.panels.running import RunningPanel

__all__ = ["AnalysingPanel", "ChoosingPanel", "PlanningPanel", "RunningPanel"]

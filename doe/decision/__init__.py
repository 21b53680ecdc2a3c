"""From fits to a recipe: best setting, operating window, stationary point, confirmation."""

from doe.decision.confirmation import Confirmation, confirmation
from doe.decision.desirability import desirability, ends, overall
from doe.decision.leeway import leeway
from doe.decision.recipe import Recipe, best_setting
from doe.decision.stationary import StationaryPoint, SteepestPath, stationary_point, steepest_path
from doe.decision.tolerances import tolerances
from doe.decision.window import OperatingWindow, operating_window

__all__ = ["Confirmation", "OperatingWindow", "Recipe", "StationaryPoint", "SteepestPath",
           "best_setting", "confirmation", "desirability", "ends", "leeway", "operating_window",
           "overall", "stationary_point", "steepest_path", "tolerances"]

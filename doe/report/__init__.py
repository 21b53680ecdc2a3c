"""The development report as one HTML file, notebooks made fit to be passed on, and kept models."""

from doe.report.build import report_html, write_report
from doe.report.models import load_model, save_model
from doe.report.notebook import export_notebook, without_live_views

__all__ = ["export_notebook", "load_model", "report_html", "save_model", "without_live_views",
           "write_report"]

"""The development report as one HTML file, and notebooks made fit to be passed on."""

from doe.report.build import report_html, write_report
from doe.report.notebook import export_notebook, without_live_views

__all__ = ["export_notebook", "report_html", "without_live_views", "write_report"]

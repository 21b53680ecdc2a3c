"""The development report as one HTML file."""

from doe.report.build import default_fits, report_html, write_report

__all__ = ["default_fits", "report_html", "write_report"]

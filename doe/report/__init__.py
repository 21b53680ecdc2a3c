"""The development report as one HTML file."""

from doe.report.build import report_html, write_report

__all__ = ["report_html", "write_report"]

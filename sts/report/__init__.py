"""The page, tables and files of a result."""

from sts.report.page import render_page
from sts.report.write import write_results

__all__ = ["render_page", "write_results"]

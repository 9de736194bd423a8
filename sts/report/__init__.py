"""The page, tables and files of a result; two results compared."""

from sts.report.differences import compare_results
from sts.report.page import render_page
from sts.report.pictures_together import Together
from sts.report.record import write_tip_record
from sts.report.show import show_sweeps
from sts.report.summary import Summary
from sts.report.write import write_results

__all__ = ["Summary", "Together", "compare_results", "render_page", "show_sweeps", "write_results", "write_tip_record"]

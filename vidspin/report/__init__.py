"""The evidence report, as a page and on paper.

Both read the files of one result folder (`gather`) and tell them in plain words; nothing is
measured or worked out anew.
"""

from __future__ import annotations

from vidspin.report.data import REPORT, ReportData, gather
from vidspin.report.page import html_report
from vidspin.report.story import Claim, Occasion

__all__ = ["REPORT", "Claim", "Occasion", "ReportData", "gather", "html_report"]

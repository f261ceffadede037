"""A trip's papers as PDF and as pages to print. No colour or shape carries a meaning that no word says."""

from rimekeep.loading.papers.notes import notes_pdf
from rimekeep.loading.papers.page import POLICY, notes_page, sheet_page
from rimekeep.loading.papers.sheet import sheet_pdf

__all__ = ["POLICY", "notes_page", "notes_pdf", "sheet_page", "sheet_pdf"]

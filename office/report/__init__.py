"""Answers on paper: one HTML file, a PDF, the plots as files, the figures as CSV. It renders and never computes."""

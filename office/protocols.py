"""Names of survey protocols that an office gives itself."""

REPORTS = "imported reports"
"""Captures that somebody told of, such as anglers: no sample of the water, but part of an animal's history."""

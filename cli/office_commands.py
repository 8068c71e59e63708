"""`tallywell office`: what happens after the day, in modules of their own, one a job."""

from cli.contents import group

app = group("The office: pull the days together, correct, review, hand on.")

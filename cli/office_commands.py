"""`tallywell office`: what happens after the day, in modules of their own, one a job."""

from cli import (
    office_amend_commands,
    office_export_commands,
    office_import_commands,
    office_publish_commands,
    office_pull_commands,
    office_review_commands,
    pack_commands,
)
from cli.contents import group

app = group("The office: pull the days together, correct, review, hand on.")
app.command("pull")(office_pull_commands.pull)
app.command("status")(office_pull_commands.status)
app.command("review")(office_review_commands.review)
app.command("amend")(office_amend_commands.amend)
app.command("import")(office_import_commands.import_)
app.command("pack")(pack_commands.write)
app.command("export")(office_export_commands.export)
app.command("publish")(office_publish_commands.publish)
app.add_typer(office_pull_commands.conflicts_app, name="conflicts")

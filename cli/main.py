"""`tallywell`: the commands, in the order of the day. Nothing heavy is loaded before a command runs."""

import typer

from cli import (
    answer_commands,
    fish_commands,
    instruments_commands,
    office_commands,
    page_commands,
    record_commands,
    report_commands,
    sound_commands,
    station_commands,
    survey_commands,
    tags_commands,
)
from cli.contents import Contents

app = typer.Typer(
    cls=Contents,
    help="Work-up station for fisheries biologists: tag, length (mm) and weight (g) from the instruments to a "
    "durable, checked record.",
    epilog="Every command has --help, and all but station run have --json. Exit codes: 1 a difference or a failed "
    "check, 2 something given cannot be used, 3 the station is busy, not running, or an instrument is not there.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
station_commands.app.command("pair")(page_commands.pair)
station_commands.app.command("sounds")(sound_commands.sounds)
app.add_typer(station_commands.app, name="station")
app.add_typer(tags_commands.app, name="tags")
app.add_typer(instruments_commands.app, name="instruments")
app.add_typer(survey_commands.app, name="survey")
app.add_typer(survey_commands.run_app, name="run")
app.command("command")(station_commands.command)
app.add_typer(fish_commands.app, name="fish")
app.add_typer(office_commands.app, name="office")
app.add_typer(answer_commands.app, name="answer")
app.command("report")(report_commands.report)
app.command("replay")(record_commands.replay)
app.command("rebuild")(record_commands.rebuild)


def run() -> None:
    """Carry out the command line."""
    app(prog_name="tallywell")

"""Options that several commands share."""

from pathlib import Path

import click

FILE = click.Path(path_type=Path, dir_okay=False)
SITE = click.option("--site", "file", type=FILE, required=True, help="The site file.")
STATE = click.option(
    "--state",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of journal, models and caches  [default: that of the site's name in $STATE_DIRECTORY, else "
    "in ~/.local/state/rimeward]",
)
JSON = click.option("--json", "as_json", is_flag=True, help="Print one line of JSON in place of text.")
PICTURE = click.option("--picture", type=FILE, help="Also draw it into this file (.png, .svg or .pdf).")
PACE = click.option(
    "--pace", type=click.FloatRange(1, 1000), default=1.0, help="Clock speed; above 1 in rehearsals only."
)
SINCE = click.option("--since", hidden=True, help="Another paced clock to agree with.")

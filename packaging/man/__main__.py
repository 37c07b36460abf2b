"""The manual: a page for the program, each command and each file format, and the guides written by hand.

    python packaging/man OUT        writes the pages into OUT

A command's page comes from the same definitions as its --help, a format's from the types that read and write it. What a
person has to say beside them stands here in NAME.SECTION.scd.in, in the format of scdoc(5), with lines of our own:
`@run ARGUMENTS` shows what linkprobe prints on a scene of the demonstration machine, `@show FILE` shows a file of
packaging/, `@fields SCHEMA...` lists the fields of documents; `@commands`, `@verdicts`, `@questions`, `@statuses`,
`@cautions`, `@loads`, `@metrics` and `@rows` list what the program's own tables hold.

A new command needs linkprobe-NAME.1.scd.in here, with examples at least; a new document stands in a page's `@fields`.
"""

import re
import subprocess
import sys
from pathlib import Path

from command_pages import command_pages
from prose import prose_pages

_PROGRAM_OUTPUT = re.compile(r"\.nf\n\.RS 4\n(?=\$ linkprobe|# )")  # indented no further, for it is wide


def main(out: Path) -> None:
    """Write every page. Raises ValueError where scdoc does not take one."""
    out.mkdir(parents=True, exist_ok=True)
    for page in (*command_pages(), *prose_pages()):
        made = subprocess.run(["scdoc"], input=page.source, capture_output=True, text=True, check=False)
        if made.returncode:
            raise ValueError(f"{page.name}({page.section}) is refused by scdoc: {made.stderr.strip()}")
        (out / f"{page.name}.{page.section}").write_text(_PROGRAM_OUTPUT.sub(".nf\n.RS 0\n", made.stdout))


if __name__ == "__main__":
    if len(sys.argv) != len(("man", "OUT")):
        sys.exit(__doc__)
    try:
        main(Path(sys.argv[1]))
    except ValueError as error:
        sys.exit(str(error))

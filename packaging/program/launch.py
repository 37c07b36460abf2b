"""Starts linkprobe from its private directory: the base, the parts that are installed, and a site's own loads.

Python is started isolated (-I) and without its site (-S): nothing that is installed beside it changes what runs here,
and nothing here is seen by another program.
"""

import sys
from pathlib import Path

HOME = Path(__file__).parent
PARTS = ("base", "page", "accelerator", "fleet-{}.{}".format(*sys.version_info))
LOADS_OF_THE_SITE = Path("/usr/local/lib/linkprobe")

if __name__ == "__main__":  # and not where a worker process imports it
    sys.path += [str(place) for place in (*(HOME / part for part in PARTS), LOADS_OF_THE_SITE) if place.is_dir()]
    sys.argv[0] = "linkprobe"

    from probe.cli.main import main  # found where the lines above point

    main()

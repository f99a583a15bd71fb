"""Functions, methods, classes and imports of meterd that nothing in meterd uses: ends with 1 if there is one that is not allowed.

What frameworks call by name stands below with whoever calls it. Fields and class attributes are left out: models, rows of
tables and settings of libraries are read by name.
"""

import sys
from pathlib import Path

from vulture import Vulture

ROOT = Path(__file__).parents[1]
KINDS = ("unused_funcs", "unused_methods", "unused_props", "unused_classes", "unused_imports", "unreachable_code")
ALLOWED = {
    "afterFlowable": "the library of PDF files",
    "missing_host_key": "the library of SFTP",
    "redirect_request": "urllib",
    "field_date": "templates of the page",
    "zone_words": "templates of the page",
    "unbroken_units": "templates of the page",
    "get_cache_key": "the library of templates",
    "compile_templates": "the image, when it is built",
    "topics_markdown": "the test that holds the tables of the README",
    "key_of": "the test that holds the sentences in both languages",
    "true_history": "studies: the history that the simulated meters were read from",
    "one_series": "studies",
    "level_wh": "studies",
    "run_length": "tests hold the charts to published run lengths",
    "pot_mwh": "tests that hold what is divided to what is given",
    "boxes": "tests of the layout of diagrams",
}


def main() -> int:
    """Print what is used by nothing."""
    tool = Vulture()
    tool.scavenge([str(ROOT / "meterd")])
    found = [one for kind in KINDS for one in getattr(tool, kind) if one.name not in ALLOWED]
    for one in found:
        print(f"{Path(one.filename).relative_to(ROOT)}:{one.first_lineno}: {one.typ} {one.name} is used by nothing")
    gone = sorted(ALLOWED.keys() - {one.name for kind in KINDS for one in getattr(tool, kind)})
    for name in gone:
        print(f".ci/dead_code.py: {name} is allowed and either used or gone")
    return 1 if found or gone else 0


if __name__ == "__main__":
    sys.exit(main())

"""Works a farm's figures out of its raw rows, after the definitions that users are given, and holds the interface's answers against them.

Reads one JSON document, from the file named or from the input: `now`, `families`, `tables` (rows as the database wrote them) and, once they
have been asked for, `answers` by path. Without answers it prints the paths to ask for; with them one line for each figure that differs, a
summary for each family, and on the last line how many figures of each family were compared. Families named after the file are compared
instead of those of the document.
"""

import json
import sys
from decimal import Decimal
from importlib import import_module

from comparison import Comparison
from rows import Rows

# Lines printed of one family: a wrong definition differs everywhere.
LINES_SHOWN = 4000


def main():
    source = open(sys.argv[1]) if len(sys.argv) > 1 else sys.stdin
    document = json.load(source, parse_float=Decimal)
    families = {name: import_module(name) for name in sys.argv[2:] or document["families"]}
    rows = Rows(document)
    if "answers" not in document:
        print("\n".join(dict.fromkeys(path for family in families.values() for path in family.questions(rows))))
        return 0
    found = [Comparison(name) for name in families]
    for comparison in found:
        families[comparison.family].compare(rows, comparison)
        print("\n".join(comparison.lines[:LINES_SHOWN]), end="\n" if comparison.lines else "")
    for comparison in found:
        print(comparison.summary())
    print(json.dumps({comparison.family: comparison.compared for comparison in found}))
    return int(any(comparison.lines for comparison in found))


sys.exit(main())

"""`python -m tests.bench.import`: the bench of imports, `importing`, under its issue's name."""  # noqa: N999

import sys

from tests.bench.importing import main

if __name__ == "__main__":
    sys.exit(main())

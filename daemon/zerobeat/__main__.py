"""``python -m zerobeat``: the same as the command ``zerobeat``; this name does not move."""

import sys

from .cli import main

sys.exit(main())

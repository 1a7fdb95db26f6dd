"""``python -m matcher.cli`` is ``earwright``."""

import sys

from matcher.cli import main

sys.exit(main())
